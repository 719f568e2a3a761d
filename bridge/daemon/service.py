"""What a service manager gets from the daemon: log lines and notifications. Shell.

Log lines are sentences on a terminal, and JSON lines otherwise. The notifications for systemd (sd_notify) are
ready, watchdog and stopping. Their source: the manual page sd_notify(3) of systemd. Without a service manager
every notification does nothing.
"""

import asyncio
import contextlib
import logging
import os
import socket
import sys
from collections.abc import Callable, Iterator, Mapping, MutableMapping
from types import ModuleType
from typing import Any, TextIO, cast


@contextlib.contextmanager
def _without(*names: str) -> Iterator[None]:
    """Prevent the import of these modules, unless they are imported already.

    None in ``sys.modules`` makes an import fail.
    """
    absent = [name for name in names if name not in sys.modules]
    sys.modules.update(dict.fromkeys(absent, cast(ModuleType, None)))
    try:
        yield
    finally:
        for name in absent:
            del sys.modules[name]


# structlog imports these two if they are installed. They are not used here, and would keep 92 modules and
# 7.3 MiB in memory.
with _without("rich", "greenlet"):
    import structlog
    import structlog.tracebacks


def logger() -> structlog.stdlib.BoundLogger:
    """Return the daemon's logger."""
    bound: structlog.stdlib.BoundLogger = structlog.get_logger("clearwell")
    return bound


LineForPeople = Callable[[MutableMapping[str, Any]], str]
"""Writes an entry of the log as a line for a terminal."""


def configure_log(
    out: TextIO = sys.stderr, level: int = logging.INFO, for_people: LineForPeople | None = None
) -> None:
    """Send all log lines, also those of libraries, to one stream.

    Args:
        out: the stream.
        level: the lowest level that is written.
        for_people: writes the lines if the stream is a terminal. Without it they are JSON lines there too.
    """
    shared: list[structlog.typing.Processor] = [
        structlog.stdlib.add_log_level,
        structlog.stdlib.add_logger_name,
        structlog.processors.TimeStamper(fmt="iso", utc=True),
        structlog.stdlib.ExtraAdder(),
    ]
    last: list[structlog.typing.Processor]
    if for_people is not None and out.isatty():
        line = for_people
        last = [structlog.processors.format_exc_info, lambda _, __, entry: line(entry)]
    else:
        last = [_plain_traceback(), structlog.processors.JSONRenderer(ensure_ascii=False)]
    handler = logging.StreamHandler(out)
    handler.setFormatter(
        structlog.stdlib.ProcessorFormatter(
            foreign_pre_chain=shared,
            processors=[structlog.stdlib.ProcessorFormatter.remove_processors_meta, *last],
        )
    )
    root = logging.getLogger()
    root.handlers[:] = [handler]
    root.setLevel(max(level, logging.WARNING))
    logging.getLogger("clearwell").setLevel(level)
    structlog.configure(
        processors=[
            structlog.stdlib.filter_by_level,
            *shared[:3],
            structlog.stdlib.ProcessorFormatter.wrap_for_formatter,
        ],
        logger_factory=structlog.stdlib.LoggerFactory(),
        wrapper_class=structlog.stdlib.BoundLogger,
        cache_logger_on_first_use=True,
    )


def _plain_traceback() -> structlog.typing.Processor:
    """Return a processor for tracebacks without local variables, because one may be a password."""
    return structlog.processors.ExceptionRenderer(
        structlog.tracebacks.ExceptionDictTransformer(show_locals=False)
    )


class ServiceManager:
    """Sends notifications to the service manager's socket, if there is one.

    Args:
        address: the socket; None if there is no service manager.
        watchdog_s: the watchdog's period; None if it is off.
    """

    def __init__(self, address: str | None, watchdog_s: float | None) -> None:
        self._address = address
        self._watchdog_s = watchdog_s

    @classmethod
    def from_environment(cls, environ: Mapping[str, str] = os.environ) -> "ServiceManager":
        """Read ``NOTIFY_SOCKET`` and ``WATCHDOG_USEC``; the latter only if it is for this process."""
        micros = environ.get("WATCHDOG_USEC", "")
        ours = environ.get("WATCHDOG_PID", str(os.getpid())) == str(os.getpid())
        watchdog_s = int(micros) / 1e6 if micros.isdigit() and int(micros) > 0 and ours else None
        return cls(environ.get("NOTIFY_SOCKET"), watchdog_s)

    def ready(self, status: str) -> None:
        """Report that the start is complete.

        Args:
            status: one line for people.
        """
        self._notify(f"READY=1\nSTATUS={status}")

    def stopping(self) -> None:
        """Report that the stop has begun."""
        self._notify("STOPPING=1")

    async def pulse(self) -> None:
        """Reset the watchdog twice in each of its periods, until cancelled, if the event loop runs."""
        if self._address is None or self._watchdog_s is None:
            return
        while True:
            self._notify("WATCHDOG=1")
            await asyncio.sleep(self._watchdog_s / 2.0)

    def _notify(self, message: str) -> None:
        if self._address is None:
            return
        # The manager writes the zero byte of an abstract address as @.
        address = f"\0{self._address[1:]}" if self._address.startswith("@") else self._address
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as out:
            out.setblocking(False)
            try:
                out.sendto(message.encode(), address)
            except OSError:
                # The daemon must continue although the service manager does not listen.
                return
