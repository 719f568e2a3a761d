"""The rules of the guard hold in every reachable abstract state, for every transition out of it."""

from collections import Counter
from dataclasses import replace

import pytest

from bridge.guard.commands import Reset
from bridge.guard.limits import Limits
from bridge.guard.model import Flow, Permissive, Phase, Trip
from bridge.guard.state import Unlatched
from bridge.tank.level import Zone
from bridge.water.health import Health
from tests.guard.explorer import NOW, TICKS, Transition, transitions

pytestmark = pytest.mark.slow


class Survey:
    """The findings over all transitions. Each rule is written here again, from the design."""

    def __init__(self, limits: Limits) -> None:
        self.limits = limits
        self.transitions = 0
        self.phases: set[Phase] = set()
        self.opened: Counter[Phase] = Counter()
        self.latched: set[Trip] = set()
        self.reset: Counter[tuple[Trip, str]] = Counter()
        self.only_missing: set[Permissive] = set()
        self.wrong: list[str] = []

    def check(self, t: Transition) -> None:
        self.transitions += 1
        self.phases.add(t.after.phase)
        if t.decision.flow is not Flow.SHUT:
            self.opened[t.after.phase] += 1
            for reason in self.reasons_to_close(t):
                self.complain(t, f"the valve is open although {reason}")
        elif len(t.decision.missing) == 1:
            self.only_missing.add(t.decision.missing[0])
        self.check_latches(t)
        self.check_disagreement(t)

    def check_disagreement(self, t: Transition) -> None:
        """Cells that disagree for the whole persistence time of a fill trip it, and nothing else does."""
        seen, since = t.seen, t.before.evidence.disagree
        assert seen.frame_at is not None
        fresh = NOW - seen.frame_at <= self.limits.stale_after_s
        lasted = since is not None and NOW - since >= self.limits.persistence_s
        due = t.before.phase is Phase.FILL and fresh and seen.cells_disagree and lasted
        after = {latch.trip for latch in t.after.latches}
        latched = Trip.CELLS_DISAGREE in after - {latch.trip for latch in t.before.latches}
        if due and not latched and not any(latch.trip is Trip.CELLS_DISAGREE for latch in t.before.latches):
            self.complain(t, "the cells disagree for long, and the fill does not trip")
        if latched and (t.before.phase is not Phase.FILL or not lasted):
            self.complain(t, "the fill tripped for cells that did not disagree for long")

    def reasons_to_close(self, t: Transition) -> list[str]:
        seen, state, limits = t.seen, t.after, self.limits
        assert seen.frame_at is not None
        assert seen.product_ppm is not None
        assert seen.reservoir_ppm is not None
        assert seen.temperature_c is not None
        in_spec = seen.product_ppm < limits.limit_ppm
        inflow_l = limits.flow_max_l_s * 2
        mixed_ppm = (100 * seen.reservoir_ppm + inflow_l * seen.product_ppm) / (100 + inflow_l)
        rinse = state.phase is Phase.RINSE and state.fill.rinse_s < limits.rinse_max_s
        harmless = t.decision.flow is Flow.TO_DRAIN or mixed_ppm < limits.reservoir_limit_ppm
        checks = {
            "no fresh frame": NOW - seen.frame_at > limits.stale_after_s,
            "the probe has failed": seen.probe is Health.FAILURE,
            "product is over the limit": not in_spec and not (rinse and harmless),
            "the temperature is out of range": not 1 <= seen.temperature_c <= 35,
            "the level is not known": seen.zone is None,
            "the level is at the fill mark": seen.zone is Zone.FULL,
            "the overflow float is up": seen.overflow is not False,
            "the reservoir is over its limit": seen.reservoir_ppm >= limits.reservoir_limit_ppm,
            "the controller has a fault": seen.controller_fault,
            "a trip is latched": bool(state.latches),
            "filling is on hold": state.hold,
            "the fill took too long": state.fill.open_s >= limits.fill_max_s,
            "no phase asks for it": state.phase not in (Phase.RINSE, Phase.FILL),
            "the pause is not over": t.before.phase is Phase.PAUSE and NOW - t.before.since < limits.pause_s,
            "there is no drain valve": t.decision.flow is Flow.TO_DRAIN and not limits.has_drain,
            "the lease is not the configured one": t.decision.lease_s != limits.lease_s,
        }
        return [reason for reason, holds in checks.items() if holds]

    def check_latches(self, t: Transition) -> None:
        before = {latch.trip: latch for latch in t.before.latches}
        after = {latch.trip for latch in t.after.latches}
        self.latched |= after - set(before)
        released = {event.trip for event in t.decision.events if isinstance(event, Unlatched)}
        for trip in set(before) - after - released:
            self.complain(t, f"{trip.value} was unlatched without a reset")
        for trip in released:
            commanded = isinstance(t.command, Reset) and t.command.trip in (None, trip)
            by = "command" if commanded else "itself"
            self.reset[trip, by] += 1
            if not commanded and trip is not Trip.LINK_LOST:
                self.complain(t, f"{trip.value} reset without a command")
            if reason := self.must_stay(t, trip, before[trip].remedied, commanded):
                self.complain(t, f"{trip.value} was reset although {reason}")

    def must_stay(self, t: Transition, trip: Trip, remedied: bool, commanded: bool) -> str | None:
        seen = t.seen
        fresh = seen.frame_at is not None and NOW - seen.frame_at <= self.limits.stale_after_s
        steady = t.after.evidence.fresh is not None and NOW - t.after.evidence.fresh >= 1
        reasons: dict[Trip, tuple[str, bool]] = {
            Trip.PRODUCT_OVER_LIMIT: ("nothing was done about the purifier", not remedied),
            Trip.RESERVOIR_BUDGET: ("the reservoir is over its limit", seen.reservoir_ppm == 55.0),
            Trip.OVERFLOW: ("the overflow float is up", seen.overflow is not False),
            Trip.PROBE_FAILURE: ("the probe has failed", seen.probe is Health.FAILURE),
            Trip.LEVEL_FAILURE: ("the level is not known", seen.zone is None),
            Trip.LINK_LOST: ("frames are not back for good", not (commanded or steady)),
            Trip.RISE_WHILE_CLOSED: ("it is not settled", NOW - t.after.closed.since < 1),
            Trip.CONTROLLER_RESTARTS: ("the controller still restarts", seen.restarts_at_opening),
        }
        why, holds = reasons.get(trip, ("", False))
        if holds:
            return why
        needs_frames = trip not in (Trip.PRODUCT_OVER_LIMIT, Trip.RESERVOIR_BUDGET)
        return "no fresh frame shows that its cause is gone" if needs_frames and not fresh else None

    def complain(self, t: Transition, sentence: str) -> None:
        if len(self.wrong) < 5:
            self.wrong.append(f"{sentence}\n  before {t.before}\n  seen {t.seen}\n  command {t.command}")


@pytest.fixture(scope="module", params=[False, True], ids=["without-drain", "with-drain"])
def survey(request: pytest.FixtureRequest) -> Survey:
    limits = replace(TICKS, has_drain=request.param)
    found = Survey(limits)
    for transition in transitions(limits):
        found.check(transition)
    return found


def test_no_reachable_state_opens_the_valve_with_a_reason_to_close(survey: Survey) -> None:
    assert survey.transitions > 200_000
    assert survey.opened[Phase.RINSE] > 0
    assert survey.opened[Phase.FILL] > 0
    assert not survey.wrong, "\n".join(survey.wrong)


def test_every_phase_is_reached(survey: Survey) -> None:
    assert survey.phases == set(Phase)


def test_every_permissive_alone_keeps_the_valve_shut(survey: Survey) -> None:
    # Open time and volume at their bounds are trips in the same step, so they never stand alone.
    never_alone = {Permissive.FILL_VOLUME, Permissive.FILL_TIME}
    if survey.limits.has_drain:
        # The mixing budget of a rinse concerns rigs without a drain valve; an exceeded one trips.
        never_alone.add(Permissive.RESERVOIR_BUDGET)
    assert survey.only_missing >= set(Permissive) - never_alone


def test_every_trip_latches(survey: Survey) -> None:
    by_volume = {Trip.FILL_OVER_VOLUME, Trip.NO_RISE}
    assert survey.latched == set(Trip) - by_volume


def test_every_trip_is_reset_by_its_own_rule_and_by_no_other(survey: Survey) -> None:
    assert {trip for trip, _ in survey.reset} == survey.latched
    assert [trip for trip, by in survey.reset if by == "itself"] == [Trip.LINK_LOST]
    assert not survey.wrong, "\n".join(survey.wrong)
