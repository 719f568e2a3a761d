"""Tries each fault alone, and each ordered pair of faults, in every scene, and measures the price of it.

A trial runs until a sign of trouble has been shown for a minute, or until the time of the fault is over. Its
litres are those of the scene with the faults less those of the scene without them at the same time.
"""

import math
import os
import pickle
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from enum import Enum

from bridge.guard.model import Flow
from bridge.rig.faults import Fault, FaultName
from bridge.simulate.detection import signs_of
from bridge.simulate.mishaps import Matters
from bridge.simulate.scenes.bounds import Bound, bounds, excuse, hazards_of
from bridge.simulate.scenes.scene import (
    ALL_OPTIONS,
    FULL,
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
_SIZES = {FaultName.PURIFIER_SLIPPING: 6000.0, FaultName.PROBE_DRIFT: 600.0}
"""Faults that grow for weeks are hurried, so that a scene of minutes shows them."""


def _fault(name: FaultName, now_s: float) -> Fault:
    lasts_s = _MOMENTARY_S if name is FaultName.CONTROLLER_RESET else math.inf
    return Fault(name, now_s, now_s + lasts_s, _SIZES.get(name, 1.0))


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
    """

    def __init__(self, scene: Scene, options: frozenset[Option]) -> None:
        self._known = baseline(scene, options)
        self.moment_s = self._known.moment_s
        self.year = begin(scene, options, [])
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
        finding = self.finding
        while not self.year.outcome.violations:
            self._step()
            now_s = self.now_s
            if now_s >= self._last_s + watch_s:
                break
            if (
                finding.noticed_s is None
                or now_s < max(self._last_s, self._began_s + finding.noticed_s) + after_s
            ):
                continue
            if not until_dry or self._is_dry():
                break
        self._measure()
        return finding

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

    def _measure(self) -> None:
        finding, year, now_s = self.finding, self.year, self.now_s
        truth = year.world.truth()
        if truth.driven is Flow.SHUT:
            finding.still_l_min = truth.flow_l_min
        year.end()
        finding.violations += [one.sentence for one in year.outcome.violations]
        finding.over_limit_l, finding.spilled_l, finding.floor_l = (
            max(0.0, more - less)
            for more, less in zip(litres_of(year), self._known.litres_at(now_s), strict=True)
        )


def single(scene: Scene, name: FaultName, options: frozenset[Option]) -> Finding:
    """Try one fault alone, and compare its price with its bound."""
    garden = outfit(options, scene.start_fraction)
    hazard = hazards_of(garden)[name]
    unseen = hazard.matters is Matters.NEVER
    trial = Trial(scene, options)
    trial.strike(name)
    finding = trial.go_on(_UNSEEN_S if unseen else hazard.bound_s + _LEAD_S, AFTER_S)
    _compare(finding, bounds(garden)[name], "")
    return finding


def _compare(finding: Finding, bound: Bound, pair: str) -> None:
    for what, litres, most_l in (
        ("over_limit_l", finding.over_limit_l, bound.over_limit_l),
        ("spilled_l", finding.spilled_l, bound.spilled_l),
        ("floor_l", finding.floor_l, bound.floor_l),
    ):
        if litres > most_l + 1e-9 and not (pair and excuse(finding.faults[0], finding.faults[1], what)):
            finding.violations.append(f"{what} is {litres:.2f}, and the bound{pair} is {most_l:.2f}")


# --- pairs ----------------------------------------------------------------------------------------------

_PAIR_S, _FULL_PAIR_S = 400.0, 900.0
_PAIR_AFTER_S = 75.0
_JUST_S = 1.5
_SOON_S = 2.0
"""A fault that is noticed sooner than this has no moment before its notice."""
_REPAIRED_S, _SETTLED_S = 30.0, 70.0
_REMEDIES = (Act.FIT_SAMPLE, Act.NEW_CARTRIDGE, Act.ACKNOWLEDGE, Act.RESET)


class When(Enum):
    """The moment at which the second fault of a pair strikes."""

    TOGETHER = "together"
    BEFORE = "before the notice"
    AT = "at the notice"
    AFTER = "just after the notice"
    LATER = "a minute later"
    RESET = "at the reset"


def moments(first: Finding) -> dict[When, float]:
    """Return the moments of the second fault, in seconds after the first, in the order of time."""
    noticed_s = first.noticed_s
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


def _bring_to(trial: Trial, first: FaultName, when: When, after_s: float) -> None:
    """Run a trial with its first fault on to the moment of the second one."""
    at_s = trial.moment_s + after_s
    if when is When.RESET:
        trial.go_to(at_s - _SETTLED_S)
        trial.repair(first)
    trial.go_to(at_s)
    if when is When.RESET:
        trial.act(*_REMEDIES)


def _finish_pair(trial: Trial, scene: Scene, second: FaultName, when: When) -> Finding:
    trial.strike(second)
    finding = trial.go_on(_FULL_PAIR_S if scene == FULL else _PAIR_S, _PAIR_AFTER_S, until_dry=True)
    table = bounds(outfit(fitted(scene), scene.start_fraction))
    one, other = table[finding.faults[0]], table[second]
    bound = Bound(
        one.over_limit_l + other.over_limit_l, one.spilled_l + other.spilled_l, one.floor_l + other.floor_l
    )
    finding = replace(finding, when=when.value)
    _compare(finding, bound, " of the pair")
    return finding


def pair(scene: Scene, first: FaultName, second: FaultName, when: When) -> Finding:
    """Try one pair of faults, and compare its price with the bounds of both.

    Raises:
        ValueError: The first fault does not have this moment in this scene.
    """
    options = fitted(scene)
    found = moments(single(scene, first, options))
    if when not in found:
        raise ValueError(f"{first.value} in the scene {scene.name!r} has no moment {when.value!r}")
    trial = Trial(scene, options)
    trial.strike(first)
    _bring_to(trial, first, when, found[when])
    return _finish_pair(trial, scene, second, when)


def pairs_with(scene: Scene, first: FaultName, seconds: Iterable[FaultName]) -> list[Finding]:
    """Try a first fault with each second fault at every moment.

    The run with the first fault alone is the same for every second fault. It therefore runs once, and the
    process forks at each moment: that makes the pairs three times as fast.
    """
    options = fitted(scene)
    trial = Trial(scene, options)
    trial.strike(first)
    found: list[Finding] = []
    others = [name for name in seconds if name is not first]
    planned = moments(single(scene, first, options))
    # The baseline runs here as far as any child needs it, or each child would run it again.
    baseline(scene, options).signs_until(trial.moment_s + max(planned.values()) + _FULL_PAIR_S)
    for when, after_s in planned.items():
        _bring_to(trial, first, when, after_s)
        found += [_forked(trial, scene, second, when) for second in others]
    return found


def _forked(trial: Trial, scene: Scene, second: FaultName, when: When) -> Finding:
    """Return the finding of a child process, so that the trial of this process stays as it is."""
    reading, writing = os.pipe()
    child = os.fork()
    if child == 0:
        # The child must never return into the caller's stack, whatever happens in it.
        status = 1
        try:
            os.close(reading)
            with os.fdopen(writing, "wb") as pipe:
                pickle.dump(_finish_pair(trial, scene, second, when), pipe)
            status = 0
        finally:
            os._exit(status)
    os.close(writing)
    with os.fdopen(reading, "rb") as pipe:
        data = pipe.read()
    _, ended = os.waitpid(child, 0)
    if ended != 0 or not data:
        raise RuntimeError(
            f"the trial of {second.value} in the scene {scene.name!r} ended with status {ended}"
        )
    finding: Finding = pickle.loads(data)
    return finding
