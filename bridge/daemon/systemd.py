"""Notifications for systemd (sd_notify): ready, watchdog, stopping.

Source: the manual page sd_notify(3) of systemd. Without a service manager every call does nothing.
"""

import asyncio
import os
import socket
from collections.abc import Mapping


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
