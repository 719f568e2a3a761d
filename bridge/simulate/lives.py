"""One life of the bridge, from its start to the moment its power goes: the station and its end of the line.

The line is opened, found silent and opened anew by the rules of
:class:`bridge.transport.serial_link.SerialLink`, whose waits are written here a second time because
that class waits in real time.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace

from bridge.guard.commands import GuardCommand
from bridge.protocol.codec import Damaged, Decoder, Direction, Ignored, encode
from bridge.protocol.messages import Close, FromBridge, FromController, Identify, Reading
from bridge.protocol.sequence import MODULUS, Track, follow_message
from bridge.rig.rig import Rig
from bridge.station import saved
from bridge.station.plan import StationPlan
from bridge.station.station import Station, StationEvent, Turn

_FIRST_WAIT_S = 0.2
_LONGEST_WAIT_S = 10.0


@dataclass(frozen=True, slots=True)
class Saved:
    """What a bridge leaves on its disk for the next start."""

    latched: bytes
    accounts: bytes


class Life:
    """One run of the bridge, in line seconds; its own monotonic clock stands ``offset_s`` ahead of these."""

    def __init__(
        self,
        plan: StationPlan,
        rig: Rig,
        offset_s: float,
        kept: Saved | None,
        utc_s: float,
        *,
        on_event: Callable[[StationEvent], None],
        on_sent: Callable[[FromBridge], None],
        on_heard: Callable[[FromController], None],
        on_turn: Callable[[Turn], None],
    ) -> None:
        self._rig = rig
        self._offset_s = offset_s
        self._on_sent = on_sent
        self._on_heard = on_heard
        self._decoder = Decoder(Direction.TO_BRIDGE)
        self._track = Track()
        self._sequence = 0
        self._echo: list[bytes] = []
        self._silence_s = plan.limits.stale_after_s
        self._wait_s = _FIRST_WAIT_S
        self._is_open = False
        self._opens_at = rig.line_s
        self._heard_at = rig.line_s
        self._up = False
        self._told_down = False
        self.heard_reading = False
        """A reading was decided on in the last :meth:`turn`."""
        now = self.now
        self.station = Station(
            plan,
            send=self._send,
            next_sequence=self._next_sequence,
            now=now,
            on_turn=on_turn,
            on_event=on_event,
            state=None
            if kept is None
            else saved.guard_state(kept.latched, kept.accounts, plan.limits, saved.Moment(now, utc_s)),
            accounts=None if kept is None else saved.inventory(kept.accounts, plan.assumed_ppm),
        )

    @property
    def now(self) -> float:
        """The monotonic clock of this life."""
        return self._rig.line_s + self._offset_s

    def turn(self, data: bytes) -> None:
        """Everything the bridge does at this moment, with these bytes from the line."""
        self.heard_reading = False
        if self._is_open:
            self._hear(data)
            if self._rig.line_s - self._heard_at >= self._silence_s:
                self._hang_up()
        elif self._rig.line_s >= self._opens_at:
            self._open()
        if not self.heard_reading:
            self.station.tick(self.now)
            self._hear(b"")

    def command(self, command: GuardCommand) -> str | None:
        """A person's command; None, or the sentence that refuses it."""
        refusal = self.station.command(command, self.now)
        self._hear(b"")
        return refusal

    def _hear(self, data: bytes) -> None:
        while True:
            if self._echo:
                data += b"".join(self._echo)
                self._echo.clear()
            if not data or not self._is_open:
                return
            for event in self._decoder.feed(data):
                if isinstance(event, Damaged):
                    self.station.damaged()
                elif not isinstance(event, Ignored):
                    self._take(event)
            data = b""

    def _take(self, message: FromController) -> None:
        self._track, arrival = follow_message(self._track, message)
        if not arrival.fresh:
            return
        self._heard_at = self._rig.line_s
        if not self._up:
            self._up = True
            self._told_down = False
            self._wait_s = _FIRST_WAIT_S
            self.station.link(True)
        self._on_heard(message)
        self.station.receive(message, self.now)
        if isinstance(message, Reading):
            self.heard_reading = True

    def _open(self) -> None:
        self._is_open = True
        self._heard_at = self._rig.line_s
        self._decoder.restart()
        self._track = replace(self._track, newest=None, late=None, late_run=0)
        self._send(Close(self._next_sequence()))
        self._send(Identify(self._next_sequence()))
        self._hear(b"")

    def _hang_up(self) -> None:
        if not self._told_down:
            self._told_down = True
            self.station.link(False, f"Nothing was heard for {self._silence_s:g} s.")
        self._send(Close(self._next_sequence()))
        self._echo.clear()
        self._is_open = self._up = False
        self._opens_at = self._rig.line_s + self._wait_s
        self._wait_s = min(2.0 * self._wait_s, _LONGEST_WAIT_S)

    def _next_sequence(self) -> int:
        number = self._sequence
        self._sequence = (number + 1) % MODULUS
        return number

    def _send(self, message: FromBridge) -> bool:
        if not self._is_open:
            return False
        self._echo.append(self._rig.receive(encode(message)))
        self._on_sent(message)
        return True
