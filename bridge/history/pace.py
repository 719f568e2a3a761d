"""How fast a backlog may be sent: a token bucket. Pure; the time is handed in."""

from dataclasses import dataclass, replace


@dataclass(frozen=True, slots=True)
class Pace:
    """Up to ``burst`` at once, and ``per_s`` a second in the long run."""

    per_s: float
    burst: float
    tokens: float
    at_s: float
    """Monotonic seconds at which ``tokens`` was true."""


def full_pace(per_s: float, burst: float, now_s: float) -> Pace:
    """A bucket that is full."""
    return Pace(per_s, burst, burst, now_s)


def allowed(pace: Pace, now_s: float) -> int:
    """How many may go now."""
    return int(_filled(pace, now_s) + 1e-9)


def spend(pace: Pace, count: int, now_s: float) -> Pace:
    """The bucket after ``count`` went; ``count`` at most what is allowed."""
    return replace(pace, tokens=_filled(pace, now_s) - count, at_s=max(now_s, pace.at_s))


def wait_s(pace: Pace, now_s: float) -> float:
    """Seconds until one more may go; 0 when one may go now."""
    return max(0.0, (1.0 - _filled(pace, now_s)) / pace.per_s)


def _filled(pace: Pace, now_s: float) -> float:
    return min(pace.burst, pace.tokens + max(0.0, now_s - pace.at_s) * pace.per_s)
