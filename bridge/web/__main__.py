"""The page's process: reads views and answers from the daemon, serves browsers, hands commands back.

It is started by the daemon and ends when the daemon does, which it sees by the end of its input.
"""

import asyncio
import contextlib
import os
import signal
import socket
import sys
from typing import TYPE_CHECKING

from bridge.daemon.page_lines import (
    LONGEST_LINE,
    Answer,
    Asked,
    Opened,
    Setup,
    Trouble,
    asked_line,
    opened_line,
    read_from_daemon,
    read_setup,
    trouble_line,
)

if TYPE_CHECKING:
    from bridge.web.app import Page

NICENESS = 10
NOT_INSTALLED = (
    "it needs the extra 'page' (pip install 'clearwell-bridge[page]'), of which {name} is not installed."
)


def main() -> int:
    """Serve until the input ends; the exit status."""
    # Browsers wait, the guard does not. Where the service may not set its priorities, it goes without.
    with contextlib.suppress(OSError):
        os.nice(NICENESS)
    # What ends the daemon is sent to all its processes; it still has things to show while it stops.
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, signal.SIG_IGN)
    # Whatever a library prints must not end up among the lines to the daemon.
    out = os.dup(1)
    os.dup2(2, 1)
    try:
        return asyncio.run(_keep(out))
    except ModuleNotFoundError as error:
        if (error.name or "").startswith("bridge"):
            raise
        os.write(out, trouble_line(Trouble(NOT_INSTALLED.format(name=error.name))))
        return 3


async def _keep(out: int) -> int:
    loop = asyncio.get_running_loop()
    said = asyncio.StreamReader(limit=LONGEST_LINE)
    await loop.connect_read_pipe(lambda: asyncio.StreamReaderProtocol(said), sys.stdin)
    line = await said.readline()
    if not line:
        return 0
    setup = read_setup(line)

    from bridge.web.app import Page
    from bridge.web.server import serve

    try:
        listening = _listen(setup)
    except OSError as error:
        os.write(out, trouble_line(Trouble(_why_not(setup, error))))
        return 3

    def send(asked: Asked) -> None:
        # So few may wait at a time that they always fit into the pipe.
        os.write(out, asked_line(asked))

    page = Page(setup, send)
    serving = asyncio.create_task(serve(page.app(), listening))
    host, port = listening.getsockname()[:2]
    os.write(out, opened_line(Opened(host, port)))
    listening_to_daemon = asyncio.create_task(_hear(said, setup, page))
    done, _ = await asyncio.wait((serving, listening_to_daemon), return_when=asyncio.FIRST_COMPLETED)
    for task in done:
        task.result()
    # At once: browsers that listen, and a thread that reads the log, would each be waited for.
    os._exit(0 if listening_to_daemon in done else 1)


async def _hear(said: asyncio.StreamReader, setup: Setup, page: "Page") -> None:
    identities = {one.reservoir: one for one in setup.reservoirs}
    while line := await said.readline():
        heard = read_from_daemon(line, identities)
        if isinstance(heard, Answer):
            page.answered(heard)
        else:
            page.show(heard)


def _listen(setup: Setup) -> socket.socket:
    from bridge.web.server import BACKLOG

    host = "127.0.0.1" if setup.host == "localhost" else setup.host
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    one = socket.create_server((host, setup.port), family=family, backlog=BACKLOG)
    one.setblocking(False)
    return one


def _why_not(setup: Setup, error: OSError) -> str:
    import errno

    where = f"port {setup.port} of {setup.host}"
    match error.errno:
        case errno.EADDRINUSE:
            return f"{where} is taken by another program; end it, or set another 'port' in the table [page]."
        case errno.EADDRNOTAVAIL:
            return f"{setup.host} is no address of this machine; set 'host' in the table [page] to one."
        case errno.EACCES:
            return f"this user may not listen on {where}; set a 'port' of 1024 or more in the table [page]."
    return f"{where} cannot be listened on ({error.strerror})."


if __name__ == "__main__":
    sys.exit(main())
