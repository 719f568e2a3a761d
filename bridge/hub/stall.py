"""How long a message may have lain unread because the whole process stood still.

A clean session keeps the broker from delivering old commands, but a computer that was suspended finds in its
own socket what arrived before. A pulse that comes about every second shows afterwards how long nothing ran.
"""

from dataclasses import dataclass, replace

PULSE_S = 1.0
LATE_S = 2.0
"""A pulse this late is a standstill, and not just a busy moment."""


@dataclass(frozen=True, slots=True)
class Pulse:
    """When the process last ran, on a clock that also counts while the computer sleeps.

    :param stood_s: length of the last standstill.
    :param resumed_at: when it ended.
    """

    at: float
    stood_s: float = 0.0
    resumed_at: float = 0.0

    def beat(self, now: float) -> "Pulse":
        """One beat; to be called about every :data:`PULSE_S`, more often does no harm."""
        gap = now - self.at
        if gap < PULSE_S + LATE_S:
            return replace(self, at=now)
        return Pulse(now, stood_s=gap, resumed_at=now)

    def waited_s(self, now: float) -> float:
        """How long a message that is read now may have waited: the standstill, if one has just ended."""
        gap = now - self.at
        if gap >= PULSE_S + LATE_S:
            return gap
        return self.stood_s if self.stood_s and now - self.resumed_at < PULSE_S else 0.0
