"""The campaign detects a guard without one of its permissives at the first step that lets water flow.

Some permissives have a cover: another rule that closes the valve in the same step. The test removes the cover
together with the permissive, because otherwise the removal would have no effect. Each story also runs with
the complete guard, and then has no violation.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import pytest

from bridge.guard import sequence, step
from bridge.guard.commands import Hold, ReservoirSample, StartFill
from bridge.guard.limits import Moment
from bridge.guard.model import Permissive, Phase, Trip
from bridge.guard.state import FillRecord, GuardState
from bridge.rig.faults import Fault, FaultName
from bridge.simulate.gardens import Garden, garden
from bridge.simulate.outcome import Task
from bridge.simulate.year import Year
from bridge.tank.level import Zone

P = Permissive


class Told:
    """One garden with the steps that a story needs."""

    def __init__(self, name: str = "polytunnel-drain", place: Garden | None = None) -> None:
        self.year = Year(Task("story", name, 2.0, faults=True), events=[], place=place)

    def wait(self, seconds: float) -> None:
        ends_s = self.year.rig.line_s + seconds
        while self.year.rig.line_s < ends_s and not self.year.outcome.violations:
            self.year.step()

    def until(self, phase: Phase, at_most_s: float = 2000.0) -> None:
        ends_s = self.year.rig.line_s + at_most_s
        while self.year.life.station.state.phase is not phase:  # type: ignore[union-attr]
            assert self.year.rig.line_s < ends_s, f"the story never came to {phase}"
            self.year.step()

    def fill(self, seconds: float = 30.0) -> None:
        """Draw water so that a fill begins, and let the fill run for a while."""
        self.wait(5.0)
        self.year.world.draw(60.0)
        self.until(Phase.FILL)
        self.wait(seconds)

    def fault(self, name: FaultName, severity: float = 1.0) -> None:
        now_s = self.year.world.time_s
        self.year.inject(Fault(name, now_s, now_s + 7200.0, severity))

    def say(self, command: Callable[..., Any], *words: object) -> None:
        self.year.send(command(self.year.clock(), "test", *words))


def link_cut_in_a_fill() -> Told:
    told = Told()
    told.fill()
    told.fault(FaultName.LINK_CUT)
    told.wait(30.0)
    return told


def probe_dry_in_a_rinse() -> Told:
    told = Told()
    told.wait(5.0)
    told.year.world.draw(60.0)
    told.until(Phase.RINSE)
    told.fault(FaultName.PROBE_DRY)
    told.wait(20.0)
    return told


def product_a_little_over_its_limit() -> Told:
    told = Told()
    told.fill()
    # The product must pass the limit and its guard band faster than product-over-limit latches.
    told.fault(FaultName.PURIFIER_SLIPPING, 20_000.0)
    told.wait(600.0)
    return told


def water_too_hot() -> Told:
    here = garden("polytunnel-drain")
    hot = replace(here.scenario, climate=replace(here.scenario.climate, air_mean_c=42.0))
    told = Told(place=replace(here, scenario=hot))
    told.wait(5.0)
    told.year.world.draw(60.0)
    told.wait(300.0)
    return told


def floats_contradict_at_rest() -> Told:
    told = Told()
    told.wait(5.0)
    told.fault(FaultName.FLOATS_CONTRADICT)
    told.wait(27.0)
    told.say(StartFill)
    told.wait(10.0)
    return told


def fill_to_the_mark() -> Told:
    here = garden("polytunnel-drain")
    nearly_full = replace(here.scenario, barrel=replace(here.scenario.barrel, start_fraction=0.87))
    told = Told(place=replace(here, scenario=nearly_full))
    told.wait(10.0)
    told.say(StartFill)
    told.until(Phase.FILL)
    told.wait(900.0)
    return told


def overflow_float_up_in_a_fill() -> Told:
    told = Told()
    told.fill()
    told.fault(FaultName.OVERFLOW_FLOAT_UP)
    told.wait(30.0)
    return told


def reservoir_found_unfit() -> Told:
    told = Told()
    told.fill()
    told.say(ReservoirSample, 80.0)
    told.wait(30.0)
    return told


def bounded(**bounds: float) -> Garden:
    here = garden("polytunnel-drain")
    return replace(here, plan=replace(here.plan, limits=replace(here.plan.limits, **bounds)))  # type: ignore[arg-type]


def fill_without_end() -> Told:
    told = Told(place=bounded(fill_max_s=600.0))
    told.fill(1200.0)
    return told


def fill_too_large() -> Told:
    told = Told(place=bounded(fill_max_l=15.0))
    told.fill(1200.0)
    return told


def voltage_low_in_a_fill() -> Told:
    told = Told()
    told.fill()
    told.fault(FaultName.VOLTAGE_LOW)
    told.wait(30.0)
    return told


def purifier_exhausted_in_a_fill() -> Told:
    told = Told()
    told.fill()
    told.fault(FaultName.PURIFIER_EXHAUSTED)
    told.wait(120.0)
    return told


def held_in_a_fill() -> Told:
    told = Told()
    told.fill()
    told.say(Hold, True)
    told.wait(10.0)
    return told


def held_for_a_moment() -> Told:
    told = held_in_a_fill()
    told.say(Hold, False)
    told.wait(10.0)
    return told


def without_permissive(patch: pytest.MonkeyPatch, gone: Permissive) -> None:
    # The wrapped function is the present one, so that several permissives can be removed together.
    missing = vars(sequence)["missing"]

    def all_but_one(m: Moment, s: GuardState, phase: Phase, fill: FillRecord) -> tuple[Permissive, ...]:
        return tuple(one for one in missing(m, s, phase, fill) if one is not gone)

    patch.setattr(sequence, "missing", all_but_one)


def without_trips(*gone: Trip) -> Callable[[pytest.MonkeyPatch], None]:
    def take_out(patch: pytest.MonkeyPatch) -> None:
        causes = vars(step)["causes"]
        patch.setattr(step, "causes", lambda m, s: [trip for trip in causes(m, s) if trip not in gone])

    return take_out


def without_the_end_of_a_fill(patch: pytest.MonkeyPatch) -> None:
    advance = sequence.advance

    def as_if_never_full(moment: Moment, state: GuardState) -> tuple[GuardState, tuple[Permissive, ...]]:
        if moment.assessment.zone is Zone.FULL:
            moment = replace(moment, assessment=replace(moment.assessment, zone=Zone.MIDDLE))
        return advance(moment, state)

    patch.setattr(sequence, "advance", as_if_never_full)


def without_overflow(patch: pytest.MonkeyPatch) -> None:
    without_trips(Trip.OVERFLOW)(patch)
    without_the_end_of_a_fill(patch)
    without_permissive(patch, P.BELOW_FILL_MARK)


def without_the_tripped_phase(patch: pytest.MonkeyPatch) -> None:
    advance = sequence.advance

    def as_if_nothing_had_tripped(moment: Moment, state: GuardState) -> Any:
        after, absent = advance(moment, replace(state, latches=()))
        return replace(after, latches=state.latches), absent

    patch.setattr(sequence, "advance", as_if_nothing_had_tripped)


def nothing_else(patch: pytest.MonkeyPatch) -> None:
    """Remove nothing more, because the permissive has no cover."""


@dataclass(frozen=True)
class Mutant:
    """A story that needs one permissive, and the cover of that permissive."""

    story: Callable[[], Told]
    caught: str
    """Words of the sentence that reports the missing permissive."""
    covered_by: Callable[[pytest.MonkeyPatch], None] = nothing_else
    cover: str = ""


MUTANTS: dict[Permissive, Mutant] = {
    P.LINK_FRESH: Mutant(link_cut_in_a_fill, "the newest frame is"),
    P.PROBE_HEALTHY: Mutant(probe_dry_in_a_rinse, "the product probe has failed"),
    P.PRODUCT_IN_SPEC: Mutant(product_a_little_over_its_limit, "ppm in a fill"),
    P.TEMPERATURE_IN_RANGE: Mutant(water_too_hot, "°C"),
    P.LEVEL_KNOWN: Mutant(floats_contradict_at_rest, "the level is not known"),
    P.BELOW_FILL_MARK: Mutant(
        fill_to_the_mark,
        "the level is at the fill mark",
        without_the_end_of_a_fill,
        "the sequence ends every fill at the mark, and never begins one there",
    ),
    P.OVERFLOW_DOWN: Mutant(
        overflow_float_up_in_a_fill,
        "overflow must be latched",
        without_overflow,
        "the overflow trip, the zone that a float up there makes full, and the controller itself",
    ),
    P.RESERVOIR_BUDGET: Mutant(
        reservoir_found_unfit,
        "by its balance",
        without_trips(Trip.RESERVOIR_BUDGET),
        "the trip of the same name",
    ),
    P.FILL_TIME: Mutant(
        fill_without_end, "fill-over-time", without_trips(Trip.FILL_OVER_TIME), "the trip of the same bound"
    ),
    P.FILL_VOLUME: Mutant(
        fill_too_large, "fill-over-volume", without_trips(Trip.FILL_OVER_VOLUME), "the trip of the same bound"
    ),
    P.CONTROLLER_SOUND: Mutant(voltage_low_in_a_fill, "the controller reports a fault"),
    P.NO_TRIP: Mutant(
        purifier_exhausted_in_a_fill,
        "product-over-limit must be latched",
        without_the_tripped_phase,
        "the tripped phase, in which nothing asks for water",
    ),
    P.NO_HOLD: Mutant(held_in_a_fill, "filling is on hold"),
    P.PAUSE_OVER: Mutant(held_for_a_moment, "a hold has interrupted the fill"),
}
COVERED = [permissive for permissive, mutant in MUTANTS.items() if mutant.cover]


def test_every_permissive_has_its_mutant() -> None:
    assert set(MUTANTS) == set(Permissive)


@pytest.mark.parametrize("permissive", MUTANTS, ids=lambda one: one.value)
def test_with_the_guard_whole_the_story_ends_well(permissive: Permissive) -> None:
    assert MUTANTS[permissive].story().year.outcome.violations == []


@pytest.mark.parametrize("permissive", MUTANTS, ids=lambda one: one.value)
def test_a_permissive_taken_out_is_caught(permissive: Permissive, monkeypatch: pytest.MonkeyPatch) -> None:
    mutant = MUTANTS[permissive]
    without_permissive(monkeypatch, permissive)
    mutant.covered_by(monkeypatch)
    found = [violation.sentence for violation in mutant.story().year.outcome.violations]
    assert found, f"nobody noticed that {permissive.value} was gone"
    assert any(mutant.caught in sentence for sentence in found), found


@pytest.mark.parametrize("permissive", COVERED, ids=lambda one: one.value)
def test_a_covered_permissive_alone_is_not_missed(
    permissive: Permissive, monkeypatch: pytest.MonkeyPatch
) -> None:
    # Without a violation, the named cover is real.
    without_permissive(monkeypatch, permissive)
    assert MUTANTS[permissive].story().year.outcome.violations == []
