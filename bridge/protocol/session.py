"""The bridge's end of one line, without I/O: when to open it, when it is lost, what goes out first and last.

The bridge's side of sections 5 and 8 of ``firmware_notes/protocol.md``. The theory, in full:

    state    | input                      | output                                        | next state
    ---------+----------------------------+-----------------------------------------------+-----------
    waiting  | tick, and the wait is over | open the port                                 | opening
    opening  | opened                     | write a close, write an identify              | open
    opening  | open_failed                | link down, unless that was reported already   | waiting
    open     | bytes                      | strays and fresh messages; the first fresh    | open
             |                            | reading after a link down follows a link up   |
    open     | tick, and silence          | write a close, link down, close the port      | closing
    open     | failed                     | write a close, link down, close the port      | closing
    closing  | closed                     |                                               | waiting
    any      | finish                     | write a close and close the port, if it is    | finished
             |                            | open or opening (then once it is opened)      |
    finished | begin                      |                                               | waiting

Each wait is twice as long as the one before, up to a bound, until a fresh reading arrives. A message is fresh
unless its number is a duplicate or late; a stale message is no sign of life. Answers are none either: a
controller that still answers and no longer measures is silent. The caller carries out the
outputs in order, and calls :meth:`LinkSession.tick` at :attr:`LinkSession.next_due`.
"""

import math
from dataclasses import dataclass, replace
from enum import Enum

from bridge.clock import Backoff
from bridge.errors import LinkError
from bridge.protocol.codec import Decoder
from bridge.protocol.fields import encode
from bridge.protocol.frame import Counts, Damaged, Direction, Ignored
from bridge.protocol.messages import Close, FromBridge, FromController, Identify, Reading
from bridge.protocol.sequence import MODULUS, Track, follow_message

FIRST_WAIT_S = 0.2
LONGEST_WAIT_S = 10.0

_STRAY = (Damaged, Ignored)


class DownCause(Enum):
    """Why a link is down; the value is the id in the log."""

    NO_DEVICE = "no-device"
    PERMISSION = "permission"
    BUSY = "busy"
    NOT_SERIAL = "not-serial"
    UNUSABLE = "unusable"
    """The system refused for another reason, which is in the sentence."""
    LOST = "lost"
    """The device disappeared while it was open."""
    SILENT = "silent"
    """The device is open, and no good reading arrives."""
    STUCK = "stuck"
    """The device takes no more bytes."""


_SENTENCES = {
    DownCause.NO_DEVICE: "There is no device at {path}. Plug the controller in, or correct the port in the "
    "configuration.",
    DownCause.PERMISSION: "This user may not open {path}. Make it a member of the group that owns the "
    "device (often dialout).",
    DownCause.BUSY: "Another program uses {path}. Only one program may use a controller: stop the other one.",
    DownCause.NOT_SERIAL: "{path} is not a serial line. Set the port to the controller's serial device.",
    DownCause.UNUSABLE: "{path} cannot be used: {detail}.",
    DownCause.LOST: "The device at {path} disappeared ({detail}). Check the cable and its supply.",
    DownCause.SILENT: "The controller at {path} has sent no reading for {detail}. Check its supply, "
    "the cable and the speed of the line.",
    DownCause.STUCK: "The device at {path} takes no more bytes ({detail}).",
}


@dataclass(frozen=True, slots=True)
class LinkUp:
    """The first fresh reading since the link was down."""


@dataclass(frozen=True, slots=True)
class LinkDown:
    """The link is down for this cause. The session tries again by itself."""

    cause: DownCause
    error: LinkError


def down(cause: DownCause, path: str, detail: str = "") -> LinkDown:
    """Return a :class:`LinkDown` with the sentence for its cause."""
    return LinkDown(cause, LinkError(_SENTENCES[cause].format(path=path, detail=detail)))


@dataclass(frozen=True, slots=True)
class OpenPort:
    """Open the port, and report it with :meth:`LinkSession.opened` or :meth:`LinkSession.open_failed`."""


@dataclass(frozen=True, slots=True)
class ClosePort:
    """Wait until the written bytes have left, close the port, and report :meth:`LinkSession.closed`."""


@dataclass(frozen=True, slots=True)
class Write:
    """Put this frame on the wire at once."""

    frame: bytes
    urgent: bool
    """True to send it before every byte that the device has not taken yet."""


Output = OpenPort | ClosePort | Write | LinkUp | LinkDown
Received = FromController | Damaged | Ignored | LinkUp


class State(Enum):
    """A state of a session."""

    WAITING = "waiting"
    OPENING = "opening"
    OPEN = "open"
    CLOSING = "closing"
    FINISHED = "finished"


class LinkSession:
    """The policy of one link; mutable. All times are monotonic seconds.

    Args:
        path: The port, for the sentences.
        now: The start of the session. The port is due to be opened at once.
        silence_s: The link is down, and the port is opened again, if no fresh reading arrives for this long.
        first_sequence: The number of the first frame. A controller may take the first lease of a bridge for a
            duplicate if each bridge begins with the same number.
        waits: The waits between attempts, without jitter, as a line has one user. None for the default.
    """

    def __init__(
        self,
        path: str,
        now: float,
        silence_s: float = 3.0,
        waits: Backoff | None = None,
        first_sequence: int = 0,
    ) -> None:
        self._path = path
        self._silence_s = silence_s
        self._waits = waits or Backoff(FIRST_WAIT_S, LONGEST_WAIT_S)
        self._decoder = Decoder(Direction.TO_BRIDGE)
        self._track = Track()
        self._sequence = first_sequence % MODULUS
        self._state = State.WAITING
        self._finishing = False
        self._opens_at = now
        self._fresh_at = now
        self._up = False
        self._reported: LinkDown | None = None

    # --- state ----------------------------------------------------------------------------

    @property
    def state(self) -> State:
        """The present state."""
        return self._state

    @property
    def is_open(self) -> bool:
        """Whether frames can be written and bytes are taken."""
        return self._state is State.OPEN

    @property
    def is_up(self) -> bool:
        """Whether the port is open and fresh readings arrive."""
        return self._up

    @property
    def counts(self) -> Counts:
        """The number of good, damaged and ignored lines since the session was made."""
        return self._decoder.counts

    @property
    def track(self) -> Track:
        """Lost, duplicate and late messages of the controller since the session was made."""
        return self._track

    @property
    def wait_s(self) -> float:
        """The wait before the next attempt after a failure."""
        return self._waits.upcoming_s

    @property
    def next_due(self) -> float:
        """The time of the next :meth:`tick`; infinity while only another input changes the state."""
        if self._state is State.OPEN:
            return self._fresh_at + self._silence_s
        return self._opens_at if self._state is State.WAITING else math.inf

    # --- inputs -----------------------------------------------------------------------------------

    def begin(self, now: float) -> None:
        """Start again after :meth:`finish`. The waits between attempts are kept."""
        self._state, self._opens_at = State.WAITING, now

    def tick(self, now: float) -> list[Output]:
        """Return the outputs that are due at this time."""
        if now < self.next_due:
            return []
        if self._state is State.WAITING:
            self._state = State.OPENING
            return [OpenPort()]
        return self.failed(down(DownCause.SILENT, self._path, f"{self._silence_s:g} s"))

    def opened(self, now: float) -> list[Output]:
        """Take the report that the port is open."""
        if self._finishing:
            return [*self._closing(State.FINISHED)]
        self._state = State.OPEN
        self._fresh_at = now
        self._decoder.restart()
        # Only the counts are kept. After an interruption the earlier numbers have no meaning.
        self._track = replace(self._track, newest=None, late=None)
        return [self._write(Close(self.next_sequence())), self._write(Identify(self.next_sequence()))]

    def open_failed(self, cause: LinkDown, now: float) -> list[Output]:
        """Take the report that the port could not be opened."""
        self._wait(now)
        return self._report(cause)

    def bytes(self, data: bytes, now: float) -> list[Received]:
        """Take bytes. Returns the events that they complete, in order, without stale messages."""
        received: list[Received] = []
        for event in self._decoder.feed(data):
            if isinstance(event, _STRAY):
                received.append(event)
                continue
            self._track, arrival = follow_message(self._track, event)
            if not arrival.fresh:
                continue
            if isinstance(event, Reading):
                self._fresh_at = now
                if not self._up:
                    self._up = True
                    self._waits.reset()
                    self._reported = None
                    received.append(LinkUp())
            received.append(event)
        return received

    def failed(self, cause: LinkDown) -> list[Output]:
        """Take the failure of the open port. Only a last close is still written to it."""
        if self._state is not State.OPEN:
            return []
        close, hang_up = self._closing(State.CLOSING)
        return [close, *self._report(cause), hang_up]

    def closed(self, now: float) -> None:
        """Take the report that the port is closed."""
        if self._state is State.CLOSING:
            self._wait(now)

    def finish(self) -> list[Output]:
        """End the session, with a close as the last frame."""
        if self._state is State.OPENING:
            # The port that is being opened must not stay open; opened() closes it.
            self._finishing = True
            return []
        if self._state is State.OPEN:
            return [*self._closing(State.FINISHED)]
        self._state = State.FINISHED
        return []

    # --- messages out -----------------------------------------------------------------------------

    def next_sequence(self) -> int:
        """Return the number for the next message to send."""
        number = self._sequence
        self._sequence = (number + 1) % MODULUS
        return number

    def send(self, message: FromBridge) -> Write | None:
        """Return the frame of a message, or None while the port is not open.

        Raises:
            InputError: The message has no text form.
        """
        write = self._write(message)
        return write if self._state is State.OPEN else None

    def _write(self, message: FromBridge) -> Write:
        return Write(encode(message), isinstance(message, Close))

    def _closing(self, then: State) -> tuple[Write, ClosePort]:
        self._state, self._up, self._finishing = then, False, False
        return self._write(Close(self.next_sequence())), ClosePort()

    def _wait(self, now: float) -> None:
        self._up = False
        if self._finishing:
            self._state, self._finishing = State.FINISHED, False
        else:
            self._state, self._opens_at = State.WAITING, now + self._waits.wait_s()

    def _report(self, cause: LinkDown) -> list[Output]:
        last, self._reported = self._reported, cause
        if last is not None and (last.cause, str(last.error)) == (cause.cause, str(cause.error)):
            return []
        return [cause]
