"""The permissives as a table: what each one asks. The valve is open only while every one holds."""

from collections.abc import Callable
from dataclasses import dataclass

from bridge.guard.moment import Moment
from bridge.guard.state import NO_FILL, FillRecord, GuardState
from bridge.guard.words import Permissive, Phase
from bridge.tank.zone import Zone

ACTIVE = frozenset({Phase.RINSE, Phase.FILL, Phase.PAUSE})
"""The phases in which a fill is under way."""


@dataclass(frozen=True, slots=True)
class Question:
    """May the valve be open, now, in this phase, with this account of the fill?"""

    moment: Moment
    state: GuardState
    phase: Phase
    fill: FillRecord

    @property
    def rinses_unseen(self) -> bool:
        """Product that is not in specification would go to the reservoir."""
        return self.phase is Phase.RINSE and not self.moment.limits.has_drain and self.moment.over

    @property
    def day_volume_l(self) -> float:
        """What came in within the running 24 hours, with the fill that runs."""
        return self.state.day_l + (self.fill.volume_l if self.phase in ACTIVE else 0.0)


def asked(moment: Moment, state: GuardState) -> Question:
    """The question for the phase the state is in."""
    return Question(moment, state, state.phase, state.fill)


def asked_for_rinse(moment: Moment, state: GuardState) -> Question:
    """The question whether a rinse could begin now."""
    return Question(moment, state, Phase.RINSE, state.fill if state.phase in ACTIVE else NO_FILL)


def _product_in_spec(q: Question) -> bool:
    return not q.moment.over or (q.phase is Phase.RINSE and q.fill.rinse_s < q.moment.limits.rinse_max_s)


def _temperature_in_range(q: Question) -> bool:
    celsius, limits = q.moment.assessment.temperature_c, q.moment.limits
    return celsius is not None and limits.temperature_low_c <= celsius <= limits.temperature_high_c


def _overflow_down(q: Question) -> bool:
    overflow = q.moment.assessment.overflow
    return overflow is False or (overflow is None and not q.moment.limits.has_overflow_float)


def in_budget(moment: Moment) -> bool:
    """The reservoir as a whole is known to be in specification."""
    ppm = moment.assessment.reservoir_ppm
    return ppm is not None and ppm < moment.limits.reservoir_limit_ppm


def _fill_volume(q: Question) -> bool:
    limits = q.moment.limits
    return q.fill.volume_l < limits.fill_max_l and q.day_volume_l < limits.daily_max_l


HOLDS: dict[Permissive, Callable[[Question], bool]] = {
    Permissive.LINK_FRESH: lambda q: q.moment.fresh,
    Permissive.PROBE_HEALTHY: lambda q: q.moment.probe_sound,
    Permissive.PRODUCT_IN_SPEC: _product_in_spec,
    Permissive.TEMPERATURE_IN_RANGE: _temperature_in_range,
    Permissive.LEVEL_KNOWN: lambda q: q.moment.assessment.zone is not None,
    Permissive.BELOW_FILL_MARK: lambda q: q.moment.assessment.zone is not Zone.FULL,
    Permissive.OVERFLOW_DOWN: _overflow_down,
    Permissive.RESERVOIR_BUDGET: lambda q: in_budget(q.moment) and not (q.moment.spoils and q.rinses_unseen),
    Permissive.FILL_TIME: lambda q: q.fill.open_s < q.moment.limits.fill_max_s,
    Permissive.FILL_VOLUME: _fill_volume,
    Permissive.CONTROLLER_SOUND: lambda q: not q.moment.assessment.controller_fault,
    Permissive.NO_TRIP: lambda q: not q.state.latches,
    Permissive.NO_HOLD: lambda q: not q.state.hold,
}


def missing(question: Question) -> tuple[Permissive, ...]:
    """The permissives that do not hold."""
    return tuple([permissive for permissive, holds in HOLDS.items() if not holds(question)])
