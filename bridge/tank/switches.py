"""Float switches: debounced by time, and compared with each other.

A float on moving water chatters. A changed contact counts only once it has stayed for its delay, and the
delay may differ by direction: an overflow float that rises counts at once, and only its return waits.
"""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class SwitchState:
    """One switch: what counts, and what has been seen since when but does not count yet."""

    wet: bool | None = None
    """The debounced value, True while water lifts the float; None before the first settled reading."""
    seen: bool | None = None
    """The newest raw value while it differs from ``wet``; None while they agree."""
    since: float = 0.0
    """When ``seen`` began, in monotonic seconds."""


UNKNOWN = SwitchState()
_SETTLED = {True: SwitchState(wet=True), False: SwitchState(wet=False)}


def debounce(
    state: SwitchState, raw: bool | None, now: float, wet_after_s: float = 2.0, dry_after_s: float = 2.0
) -> SwitchState:
    """The switch after the raw contact ``raw`` at ``now`` (monotonic seconds, never falling).

    A rise counts after ``wet_after_s`` without interruption, a fall after ``dry_after_s``; a delay of 0
    counts at once. None, a switch without a value, forgets everything at once: an old value is no
    knowledge. Before the first value has settled, ``wet`` is None.
    """
    if raw is None:
        return UNKNOWN
    if raw is state.wet:
        return state if state.seen is None else _SETTLED[raw]
    if raw is not state.seen:
        state = SwitchState(wet=state.wet, seen=raw, since=now)
    delay = wet_after_s if raw else dry_after_s
    return _SETTLED[raw] if now - state.since >= delay else state


def contradict(low: bool | None, full: bool | None, overflow: bool | None) -> bool:
    """True when an upper switch is wet while one below it is dry, which no water level can do.

    None stands for a switch that is not fitted or not known; it contradicts nothing.
    """
    return (full is True and low is False) or (overflow is True and (full is False or low is False))
