"""Finds lost frames, stale frames and restarts from the sequence numbers of one sender. Core.

Numbers run from 0 to 65535 and wrap. Relative to the newest number, the 32767 numbers after it are *ahead*
and the 32768 before it are *behind*. A number that is behind, or a duplicate, is stale and no sign of life. A
sender that was reset starts at 0 with a hello. If that hello is lost, its frames look late. But late frames
without a gap between them are not the remains of a queue: after :data:`CONVINCING_RUN` of them the sender
counts as restarted.
"""

from dataclasses import dataclass, replace
from enum import Enum

from bridge.protocol.messages import FromController, Hello

MODULUS = 0x10000
_AHEAD = MODULUS // 2

CONVINCING_RUN = 3
"""This many late frames without a gap mean a restart."""


class Arrival(Enum):
    """The order of a frame relative to those before it."""

    FIRST = "first"
    NEXT = "next"
    AFTER_GAP = "after-gap"
    """Some frames before it were lost."""
    RESTARTED = "restarted"
    """The sender restarted."""
    DUPLICATE = "duplicate"
    LATE = "late"

    def __init__(self, word: str) -> None:
        self.fresh = word not in ("duplicate", "late")
        """Whether the frame is a sign of life and may be used."""


@dataclass(frozen=True, slots=True)
class Irregular:
    """Counts of the numbers that were not the next one."""

    lost: int = 0
    duplicates: int = 0
    reordered: int = 0
    restarts: int = 0


@dataclass(frozen=True, slots=True)
class Track:
    """The newest numbers of a sender, and the counts."""

    newest: int | None = None
    late: int | None = None
    """The last number of a run of late numbers."""
    late_run: int = 0
    counted: Irregular = Irregular()


def follow(track: Track, sequence: int, begins_anew: bool = False) -> tuple[Track, Arrival]:
    """Take the next number.

    Args:
        track: The track before it.
        sequence: The number, 0 to 65535.
        begins_anew: True if the frame itself reports a reset of its sender.

    Returns:
        The next track, and the order of this frame.
    """
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
    """Take the number of a message. A hello with number 0 is the first frame after a reset."""
    return follow(track, message.sequence, isinstance(message, Hello) and message.sequence == 0)


def _restarted(sequence: int, counted: Irregular) -> Track:
    return Track(sequence, None, 0, replace(counted, restarts=counted.restarts + 1))
