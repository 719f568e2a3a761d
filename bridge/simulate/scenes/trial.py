"""Tries each fault alone, and each ordered pair of faults, in every scene, and measures the price of it.

A trial runs until a sign of trouble has been shown for a minute, or until the time of the fault is over. Its
litres are those of the scene with the faults less those of the scene without them at the same time.

A trial is *short* unless somebody asks for a thorough one: the forecast and the views in which only values
change are left out, and the trial ends as soon as its verdict cannot change. The run up to a fault is the
same for every fault that strikes then. It therefore runs once, and each fault strikes in a copy of the trial.
"""

import math
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from enum import Enum
from itertools import combinations

from bridge.guard.model import Flow
from bridge.rig.faults import Fault, FaultName
from bridge.simulate.detection import signs_of
from bridge.simulate.gardens import Garden
from bridge.simulate.hazards import Matters
from bridge.simulate.scenes.bounds import bounds, excuse, hazards_of
from bridge.simulate.scenes.copies import Copies
from bridge.simulate.scenes.rest import is_steady, run_on, stays_shut
from bridge.simulate.scenes.scene import (
    ALL_OPTIONS,
    FULL,
    HURRIED,
    Act,
    Option,
    Scene,
    baseline,
    begin,
    command_of,
    litres_of,
    outfit,
)

AFTER_S = 60.0
"""A trial goes on for this long after the first sign."""
_UNSEEN_S = 600.0
"""The length of a trial of a fault without a sign."""
_LEAD_S = 120.0
"""A fault of an idle scene meets the fill at the latest after this time."""
_MOMENTARY_S = 2.0


def _fault(name: FaultName, now_s: float) -> Fault:
    lasts_s = _MOMENTARY_S if name is FaultName.CONTROLLER_RESET else math.inf
    return Fault(name, now_s, now_s + lasts_s, HURRIED.get(name, 1.0))


@dataclass(slots=True)
class Finding:
    """The result of one trial."""

    scene: str
    faults: tuple[FaultName, ...]
    when: str = ""
    noticed_by: str | None = None
    """The first new sign; None if there was none."""
    noticed_s: float | None = None
    """Seconds from the first fault to the first new sign."""
    over_limit_l: float = 0.0
    spilled_l: float = 0.0
    floor_l: float = 0.0
    still_l_min: float = 0.0
    """Flow into the reservoir or onto the floor at the end, with the valve not driven."""
    violations: list[str] = field(default_factory=list)


def fitted(scene: Scene, options: frozenset[Option] = ALL_OPTIONS) -> frozenset[Option]:
    """Return the options of a scene: a scene of a rinse to the reservoir has no drain valve."""
    return options if scene.has_drain else options - {Option.DRAIN_VALVE}


class Trial:
    """One run of a scene with faults; mutable.

    Args:
        scene: The scene.
        options: The options that are fitted.
        thorough: Whether the trial runs in full, with the parts that no verdict reads.
    """

    def __init__(self, scene: Scene, options: frozenset[Option], *, thorough: bool = False) -> None:
        self.scene = scene
        self.garden = outfit(options, scene.start_fraction)
        self._thorough = thorough
        self._known = baseline(scene, options, thorough)
        self.moment_s = self._known.moment_s
        self.year = begin(scene, options, thorough=thorough)
        self.finding = Finding(scene.name, ())
        self._began_s = math.inf
        self._last_s = -math.inf
        self.go_to(self.moment_s)

    @property
    def now_s(self) -> float:
        """The time of the trial, line seconds."""
        return self.year.rig.line_s

    def strike(self, name: FaultName) -> None:
        """Inject a fault now."""
        if name not in self.year.world.plan.active:
            self.year.inject(_fault(name, self.year.world.time_s))
        self.finding.faults += (name,)
        self._began_s = min(self._began_s, self.now_s)
        self._last_s = self.now_s

    def go_to(self, at_s: float) -> None:
        """Run until this time, or to a violation."""
        year = self.year
        year.plan(at_s)
        while year.rig.line_s < at_s - 1e-6 and not year.outcome.violations:
            self._step()

    def go_on(self, watch_s: float, after_s: float, *, until_dry: bool = False) -> Finding:
        """Run to the end of the trial.

        Args:
            watch_s: The longest time after the last fault.
            after_s: The time after the first sign, and at least after the last fault.
            until_dry: Whether the trial also waits until the guard has tripped and no water flows.

        Returns:
            The finding.
        """
        finding, year = self.finding, self.year
        latest_s = ends_s = self._last_s + watch_s
        year.plan(latest_s)
        while not year.outcome.violations:
            self._step()
            if self.now_s >= latest_s - 1e-6:
                break
            if until_dry and not self._thorough and is_steady(year, latest_s):
                return self._end_at(latest_s)
            if finding.noticed_s is None:
                continue
            if ends_s == latest_s:
                ends_s = min(latest_s, max(self._last_s, self._began_s + finding.noticed_s) + after_s)
                year.plan(ends_s)
            waits = until_dry and not self._is_dry()
            if self.now_s >= ends_s - 1e-6 and not waits:
                break
            to_s = latest_s if waits else ends_s
            if not self._thorough and stays_shut(year, to_s):
                return self._end_at(to_s)
        self._measure(self.now_s)
        return finding

    def _end_at(self, at_s: float) -> Finding:
        """End the trial now with the litres of a later time."""
        run_on(self.year, at_s)
        self._measure(at_s)
        return self.finding

    def repair(self, name: FaultName) -> None:
        """Repair a fault. After a failed self-test, the controller is also switched off and on."""
        year = self.year
        year.world.repair(name)
        if name is FaultName.SELF_TEST_FAILED:
            year.inject(_fault(FaultName.CONTROLLER_RESET, year.world.time_s))

    def act(self, *acts: Act) -> None:
        """Let a person do these acts now."""
        for act in acts:
            self.year.send(command_of(act, self.year.clock()))

    def copies(self) -> Copies["Trial"]:
        """Return what makes copies of this trial as it is now. They share the baseline."""
        return Copies(self, self._known)

    def _step(self) -> None:
        year, finding = self.year, self.finding
        year.step()
        now_s = self.now_s
        if finding.noticed_by is not None or now_s < self._began_s or year.station is None:
            return
        signs = signs_of(year.station)
        new = signs and signs - self._known.signs_until(now_s)
        if new:
            finding.noticed_s = now_s - self._began_s
            finding.noticed_by = min(one if isinstance(one, str) else one.value for one in new)

    def _is_dry(self) -> bool:
        station = self.year.station
        return station is not None and bool(station.state.latches) and self.year.world.is_quiet

    def _measure(self, at_s: float) -> None:
        finding, year = self.finding, self.year
        truth = year.world.truth()
        if truth.driven is Flow.SHUT:
            finding.still_l_min = truth.flow_l_min
        year.end()
        finding.violations += [one.sentence for one in year.outcome.violations]
        finding.over_limit_l, finding.spilled_l, finding.floor_l = (
            max(0.0, more - less)
            for more, less in zip(litres_of(year), self._known.litres_at(at_s), strict=True)
        )


def single(scene: Scene, name: FaultName, options: frozenset[Option], *, thorough: bool = False) -> Finding:
    """Try one fault alone, and compare its price with its bound."""
    return _finish_single(Trial(scene, options, thorough=thorough), name)


def singles_in(scene: Scene, names: Iterable[FaultName], options: frozenset[Option]) -> list[Finding]:
    """Try each of these faults alone in one scene."""
    copies = Trial(scene, options).copies()
    return [_finish_single(copies.one(), name) for name in names]


def _finish_single(trial: Trial, name: FaultName) -> Finding:
    hazard = hazards_of(trial.garden)[name]
    unseen = hazard.matters is Matters.NEVER
    trial.strike(name)
    finding = trial.go_on(_UNSEEN_S if unseen else hazard.bound_s + _LEAD_S, AFTER_S)
    _compare(finding, trial.garden)
    return finding


def _compare(finding: Finding, garden: Garden) -> None:
    """Compare the price with the sum of the bounds of the faults."""
    table = bounds(garden)
    members = [table[name] for name in finding.faults]
    of_whom = ("", "", " of the pair", " of all three")[len(members)]
    for what, litres, most_l in (
        ("over_limit_l", finding.over_limit_l, sum(one.over_limit_l for one in members)),
        ("spilled_l", finding.spilled_l, sum(one.spilled_l for one in members)),
        ("floor_l", finding.floor_l, sum(one.floor_l for one in members)),
    ):
        if litres > most_l + 1e-9 and not any(
            excuse(one, other, what, has_check_cell=garden.plan.check is not None)
            for one, other in combinations(finding.faults, 2)
        ):
            finding.violations.append(f"{what} is {litres:.2f}, and the bound{of_whom} is {most_l:.2f}")


# --- pairs ----------------------------------------------------------------------------------------------

_PAIR_S, _FULL_PAIR_S = 400.0, 900.0
_PAIR_AFTER_S = 75.0
_JUST_S = 1.5
_SOON_S = 2.0
"""A fault that is noticed sooner than this has no moment before its notice."""
_REPAIRED_S, _SETTLED_S = 30.0, 70.0
_ORDER = tuple(FaultName)
_REMEDIES = (Act.FIT_SAMPLE, Act.NEW_CARTRIDGE, Act.ACKNOWLEDGE, Act.RESET)


class When(Enum):
    """The moment at which the second fault of a pair strikes."""

    TOGETHER = "together"
    BEFORE = "before the notice"
    AT = "at the notice"
    AFTER = "just after the notice"
    LATER = "a minute later"
    RESET = "at the reset"


def moments(noticed_s: float | None) -> dict[When, float]:
    """Return the moments of the second fault, in seconds after the first, in the order of time.

    Args:
        noticed_s: The seconds until the first fault alone is noticed; None if it is not noticed.
    """
    if noticed_s is None:
        return {When.TOGETHER: 0.0, When.LATER: 60.0}
    found = {When.TOGETHER: 0.0}
    if noticed_s > _SOON_S:
        found[When.BEFORE] = 0.5 * noticed_s
    return found | {
        When.AT: noticed_s,
        When.AFTER: noticed_s + _JUST_S,
        When.RESET: noticed_s + _REPAIRED_S + _SETTLED_S,
    }


def bring_to(trial: Trial, first: FaultName, when: When, after_s: float) -> None:
    """Run a trial with its first fault to the moment of the second one, so many seconds after the first."""
    at_s = trial.moment_s + after_s
    if when is When.RESET:
        trial.go_to(at_s - _SETTLED_S)
        trial.repair(first)
    trial.go_to(at_s)
    if when is When.RESET:
        trial.act(*_REMEDIES)


def finish(trial: Trial, last: FaultName, when: When) -> Finding:
    """Inject the last fault of several now, and return what the trial finds until its end."""
    trial.strike(last)
    finding = trial.go_on(watch_s(trial.scene), _PAIR_AFTER_S, until_dry=True)
    finding = replace(finding, when=when.value)
    _compare(finding, trial.garden)
    return finding


def watch_s(scene: Scene) -> float:
    """Return the longest time that a trial goes on after the last of several faults."""
    return _FULL_PAIR_S if scene == FULL else _PAIR_S


def pair(scene: Scene, first: FaultName, second: FaultName, when: When, *, thorough: bool = False) -> Finding:
    """Try one pair of faults, and compare its price with the bounds of both.

    Raises:
        ValueError: The first fault does not have this moment in this scene.
    """
    options = fitted(scene)
    found = moments(single(scene, first, options, thorough=thorough).noticed_s)
    if when not in found:
        raise ValueError(f"{first.value} in the scene {scene.name!r} has no moment {when.value!r}")
    trial = Trial(scene, options, thorough=thorough)
    trial.strike(first)
    for moment, after_s in found.items():
        # A step ends at each moment, so that this is the same run as that of all pairs.
        bring_to(trial, first, moment, after_s)
        if moment is when:
            break
    return finish(trial, second, when)


def together_in(
    scene: Scene, pairs: Iterable[tuple[FaultName, FaultName]], options: frozenset[Option]
) -> list[Finding]:
    """Try pairs of faults that begin together in one scene, with these options."""
    copies = Trial(scene, options).copies()
    return [_both(copies.one(), one, other) for one, other in pairs]


def _both(trial: Trial, one: FaultName, other: FaultName) -> Finding:
    trial.strike(one)
    return finish(trial, other, When.TOGETHER)


def pairs_with(
    scene: Scene, first: FaultName, seconds: Iterable[FaultName], noticed_s: float | None
) -> list[Finding]:
    """Try a first fault with each second fault at every moment.

    Two faults that begin together have no order, so such a pair is tried with the fault first that the
    catalogue has first.

    Args:
        scene: The scene.
        first: The first fault.
        seconds: The second faults.
        noticed_s: The seconds until the first fault alone is noticed; None if it is not noticed.
    """
    trial = Trial(scene, fitted(scene))
    trial.strike(first)
    found: list[Finding] = []
    others = [name for name in seconds if name is not first]
    later = set(_ORDER[_ORDER.index(first) :])
    for when, after_s in moments(noticed_s).items():
        bring_to(trial, first, when, after_s)
        copies = trial.copies()
        found += [
            finish(copies.one(), name, when) for name in others if when is not When.TOGETHER or name in later
        ]
    return found
