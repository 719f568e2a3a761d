"""The word with the service manager: ready, alive, stopping, as systemd's notification protocol has it.

Source: the manual page sd_notify(3) of systemd. Without a manager that listens, every call does nothing.
"""

import asyncio
import os
import socket
from collections.abc import Mapping


class ServiceManager:
    """Sends notifications to the socket the manager named, if it named one."""

    def __init__(self, address: str | None, watchdog_s: float | None) -> None:
        self._address = address
        self._watchdog_s = watchdog_s

    @classmethod
    def from_environment(cls, environ: Mapping[str, str] = os.environ) -> "ServiceManager":
        """What ``NOTIFY_SOCKET`` and ``WATCHDOG_USEC`` say; the latter only if meant for this process."""
        micros = environ.get("WATCHDOG_USEC", "")
        ours = environ.get("WATCHDOG_PID", str(os.getpid())) == str(os.getpid())
        watchdog_s = int(micros) / 1e6 if micros.isdigit() and int(micros) > 0 and ours else None
        return cls(environ.get("NOTIFY_SOCKET"), watchdog_s)

    def ready(self, status: str) -> None:
        """Starting is over; ``status`` is one line for people."""
        self._tell(f"READY=1\nSTATUS={status}")

    def stopping(self) -> None:
        """Stopping has begun."""
        self._tell("STOPPING=1")

    async def pulse(self) -> None:
        """Tell the watchdog that the event loop turns, twice in each of its periods, until cancelled."""
        if self._address is None or self._watchdog_s is None:
            return
        while True:
            self._tell("WATCHDOG=1")
            await asyncio.sleep(self._watchdog_s / 2.0)

    def _tell(self, message: str) -> None:
        if self._address is None:
            return
        # A leading @ is how the manager writes the zero byte of an abstract address.
        address = f"\0{self._address[1:]}" if self._address.startswith("@") else self._address
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as out:
            out.setblocking(False)
            try:
                out.sendto(message.encode(), address)
            except OSError:
                # A manager that does not listen is no reason to stop keeping the water.
                return
