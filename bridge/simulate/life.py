"""One session of the bridge, from its start to its end: the real keeper on a simulated line.

The session of the line, the keeper and the parts behind it are those of the daemon, under a virtual clock.
The rig takes the place of the serial device: a frame arrives there at once, and the reply comes with the next
bytes.
"""

import math
from collections.abc import Callable
from datetime import UTC
from typing import Protocol

from bridge.clock import VirtualClock
from bridge.daemon.keeper import Keeper
from bridge.daemon.log_policy import KeptLog
from bridge.guard.commands import GuardCommand
from bridge.protocol.frame import Damaged, Ignored
from bridge.protocol.messages import FromBridge, FromController, Reading
from bridge.protocol.session import (
    ClosePort,
    LinkDown,
    LinkSession,
    LinkUp,
    OpenPort,
    Output,
    Write,
)
from bridge.rig.rig import Rig
from bridge.station.events import StationEvent
from bridge.station.plan import StationPlan
from bridge.station.station import VIEW_EVERY_S, Station
from bridge.station.view import StationView

_SHORTLY_S = 0.06
"""Timers as short as this are called at their own time, before the next step begins."""
_NO_MESSAGE = (Damaged, Ignored, LinkUp)


class Witnesses(Protocol):
    """Receives every message that a session sends and receives."""

    def sent(self, message: FromBridge) -> None:
        """Take a message that the bridge put on the wire."""

    def heard(self, message: FromController) -> None:
        """Take a message that reached the bridge."""


class Life:
    """One run of the bridge.

    Args:
        plan: The plan of the station.
        rig: The far end of the line.
        clock: The clock of the bridge.
        log: The log of the bridge.
        witnesses: Receive every message that is sent or received.
        on_view: Shows a view to people.
        on_event: Shows an event to people.
        whole: False leaves out the forecast, and the views in which only values change.
    """

    def __init__(
        self,
        plan: StationPlan,
        rig: Rig,
        clock: VirtualClock,
        log: KeptLog,
        witnesses: Witnesses,
        on_view: Callable[[StationView], None],
        on_event: Callable[[StationEvent], None],
        *,
        whole: bool = True,
    ) -> None:
        self._rig = rig
        self.clock = clock
        self._witnesses = witnesses
        self._echo: list[bytes] = []
        self._session = LinkSession("the rig", clock.monotonic(), plan.limits.stale_after_s)
        self.heard_reading = False
        """True if the last :meth:`turn` took a reading."""
        self.keeper = Keeper(
            plan,
            clock,
            self,
            on_view,
            on_event,
            _raise,
            log,
            zone=UTC,
            forecasts=whole,
            # No views of values only: saves 13 % of the time of the station alone.
            view_every_s=VIEW_EVERY_S if whole else math.inf,
        )

    @property
    def now(self) -> float:
        """The monotonic clock of this life."""
        return self.clock.monotonic()

    @property
    def station(self) -> Station:
        """The keeper's station."""
        return self.keeper.station

    @property
    def next_due_in_s(self) -> float:
        """The time until the next timer."""
        return self.clock.next_due - self.clock.monotonic()

    def settle(self, at_most_s: float) -> tuple[float, bool]:
        """Make the short timers fire at their times.

        Returns:
            The seconds that this took, and whether the bridge did anything in them.
        """
        seconds = min(_SHORTLY_S, at_most_s)
        until = self.now + seconds
        acted = self.clock.next_due <= until or bool(self._echo)
        self.clock.advance_to(until)
        self._hear(b"")
        return seconds, acted

    def turn(self, now: float, data: bytes) -> None:
        """Run everything that the bridge does at this time, with these bytes from the line."""
        self.clock.skip_to(max(now, self.now))
        self.heard_reading = False
        self._hear(data)
        self._follow(self._session.tick(now))
        self._hear(b"")
        self.clock.run_due()
        self._hear(b"")

    def command(self, command: GuardCommand) -> str | None:
        """Execute a command. Returns None, or the sentence that refuses it."""
        refusal = self.keeper.command(command)
        self._hear(b"")
        return refusal

    # --- the wire ---------------------------------------------------------------------------------

    def next_sequence(self) -> int:
        """Return the number for the next message to send."""
        return self._session.next_sequence()

    def send(self, message: FromBridge) -> bool:
        """Put a message on the wire."""
        write = self._session.send(message)
        if write is None:
            return False
        self._write(write)
        self._witnesses.sent(message)
        return True

    def _write(self, write: Write) -> None:
        self._echo.append(self._rig.receive(write.frame))

    def _hear(self, data: bytes) -> None:
        while True:
            if self._echo:
                data += b"".join(self._echo)
                self._echo.clear()
            if not data or not self._session.is_open:
                return
            for received in self._session.bytes(data, self.now):
                if not isinstance(received, _NO_MESSAGE):
                    self._witnesses.heard(received)
                self.keeper.received(received)
                if isinstance(received, Reading):
                    self.heard_reading = True
            data = b""

    def _follow(self, outputs: list[Output]) -> None:
        for output in outputs:
            match output:
                case Write():
                    self._write(output)
                case OpenPort():
                    self._follow(self._session.opened(self.now))
                case ClosePort():
                    self._echo.clear()
                    self._session.closed(self.now)
                case LinkUp() | LinkDown():
                    self.keeper.received(output)


def _raise(error: Exception) -> None:
    raise error
