"""What the sequence numbers of one sender tell: lost frames, stale frames, a sender that began anew.

Numbers run from 0 to 65535 and wrap. Seen from the newest one so far, the 32767 numbers after it are
*ahead* and the 32768 before it are *behind*; one that is behind, or the same again, is stale: it must not
count as a sign of life. A sender that was reset begins at 0 with a hello. Should that hello be lost,
its frames look late, but late frames that follow each other without a gap are no leftovers of a queue:
after :data:`CONVINCING_RUN` of them the sender is taken to have begun anew.
"""

from dataclasses import dataclass, replace
from enum import Enum

from bridge.protocol.messages import FromController, Hello

MODULUS = 0x10000
_AHEAD = MODULUS // 2

CONVINCING_RUN = 3
"""This many late frames in unbroken order mean a restart."""


class Arrival(Enum):
    """How a frame stands to those before it."""

    FIRST = "first"
    NEXT = "next"
    AFTER_GAP = "after-gap"
    """Frames before it were lost."""
    RESTARTED = "restarted"
    """The sender began anew."""
    DUPLICATE = "duplicate"
    LATE = "late"

    def __init__(self, word: str) -> None:
        self.fresh = word not in ("duplicate", "late")
        """Whether the frame is a sign of life and may be used."""


@dataclass(frozen=True, slots=True)
class Irregular:
    """How often something else came than the next number."""

    lost: int = 0
    duplicates: int = 0
    reordered: int = 0
    restarts: int = 0


@dataclass(frozen=True, slots=True)
class Track:
    """Where a sender's numbers stand, and what was counted on the way."""

    newest: int | None = None
    late: int | None = None
    """The last of a run of late numbers."""
    late_run: int = 0
    counted: Irregular = Irregular()


def follow(track: Track, sequence: int, begins_anew: bool = False) -> tuple[Track, Arrival]:
    """The next number, 0 to 65535. ``begins_anew``: the frame itself says that its sender was reset."""
    newest, counted = track.newest, track.counted
    if newest is None:
        return replace(track, newest=sequence), Arrival.FIRST
    if begins_anew:
        return _restarted(sequence, counted), Arrival.RESTARTED
    step = (sequence - newest) % MODULUS
    if step == 1:
        return Track(sequence, None, 0, counted), Arrival.NEXT
    if step == 0:
        return replace(track, counted=replace(counted, duplicates=counted.duplicates + 1)), Arrival.DUPLICATE
    if step < _AHEAD:
        lost = replace(counted, lost=counted.lost + step - 1)
        return Track(sequence, None, 0, lost), Arrival.AFTER_GAP
    follows = track.late is not None and (sequence - track.late) % MODULUS == 1
    run = track.late_run + 1 if follows else 1
    if run >= CONVINCING_RUN:
        return _restarted(sequence, counted), Arrival.RESTARTED
    reordered = replace(counted, reordered=counted.reordered + 1)
    return Track(newest, sequence, run, reordered), Arrival.LATE


def follow_message(track: Track, message: FromController) -> tuple[Track, Arrival]:
    """As :func:`follow`; a hello with number 0 is the first frame after a reset."""
    return follow(track, message.sequence, isinstance(message, Hello) and message.sequence == 0)


def _restarted(sequence: int, counted: Irregular) -> Track:
    return Track(sequence, None, 0, replace(counted, restarts=counted.restarts + 1))
