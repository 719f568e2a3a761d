"""The page's process: receives views from the daemon, serves browsers, passes their commands to the daemon.

The daemon starts it. It ends when the daemon ends, which closes its standard input.
"""

import asyncio
import contextlib
import errno
import os
import signal
import socket
import sys
from typing import TYPE_CHECKING

from bridge.daemon.page_lines import (
    LONGEST_LINE,
    CommandRequest,
    CommandResult,
    Opened,
    Setup,
    Trouble,
    command_request_line,
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
    """Serve until the input ends. Returns the exit status."""
    # The guard must not wait for browsers. A service that may not change its priority works without this.
    with contextlib.suppress(OSError):
        os.nice(NICENESS)
    # The signal that ends the daemon goes to all its processes. The page still shows how the daemon stops.
    # The signals are blocked and not ignored, because the web server installs handlers of its own.
    signal.pthread_sigmask(signal.SIG_BLOCK, (signal.SIGTERM, signal.SIGINT))
    # The output of a library must not mix with the lines to the daemon.
    out = os.dup(1)
    os.dup2(2, 1)
    try:
        return asyncio.run(_serve(out))
    except ModuleNotFoundError as error:
        if (error.name or "").startswith("bridge"):
            raise
        os.write(out, trouble_line(Trouble(NOT_INSTALLED.format(name=error.name))))
        return 3


async def _serve(out: int) -> int:
    loop = asyncio.get_running_loop()
    lines = asyncio.StreamReader(limit=LONGEST_LINE)
    await loop.connect_read_pipe(lambda: asyncio.StreamReaderProtocol(lines), sys.stdin)
    line = await lines.readline()
    if not line:
        return 0
    setup = read_setup(line)

    from bridge.web.app import Page
    from bridge.web.server import BACKLOG, serve

    try:
        listening = _listen(setup, BACKLOG)
    except OSError as error:
        os.write(out, trouble_line(Trouble(_explain(setup, error))))
        return 3

    def send(request: CommandRequest) -> None:
        # The page limits how many commands wait, so they always fit into the pipe.
        os.write(out, command_request_line(request))

    page = Page(setup, send)
    serving = asyncio.create_task(serve(page.app(), listening))
    host, port = listening.getsockname()[:2]
    os.write(out, opened_line(Opened(host, port)))
    receiving = asyncio.create_task(_receive(lines, setup, page))
    done, _ = await asyncio.wait((serving, receiving), return_when=asyncio.FIRST_COMPLETED)
    for task in done:
        task.result()
    # A normal exit would wait for browsers that follow events, and for a thread that reads the log.
    os._exit(0 if receiving in done else 1)


async def _receive(lines: asyncio.StreamReader, setup: Setup, page: "Page") -> None:
    identities = {one.reservoir: one for one in setup.reservoirs}
    while line := await lines.readline():
        message = read_from_daemon(line, identities)
        if isinstance(message, CommandResult):
            page.receive_result(message)
        else:
            page.show(message)


def _listen(setup: Setup, backlog: int) -> socket.socket:
    host = "127.0.0.1" if setup.host == "localhost" else setup.host
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    listening = socket.create_server((host, setup.port), family=family, backlog=backlog)
    listening.setblocking(False)
    return listening


def _explain(setup: Setup, error: OSError) -> str:
    where = f"port {setup.port} of {setup.host}"
    match error.errno:
        case errno.EADDRINUSE:
            return f"{where} is taken by another program; end it, or set another 'port' in the table [page]."
        case errno.EADDRNOTAVAIL:
            return f"{setup.host} is not an address of this machine; correct 'host' in the table [page]."
        case errno.EACCES:
            return f"this user may not listen on {where}; set a 'port' of 1024 or more in the table [page]."
    return f"{where} cannot be listened on ({error.strerror})."


if __name__ == "__main__":
    sys.exit(main())
