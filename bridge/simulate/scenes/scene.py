"""Short scenes of a fill, in each of which a fault can strike at a chosen moment.

A scene is a script of a few commands and happenings. The scene without a fault is its *baseline*: the same
seed and the same weather, so that the difference of the litres is the price of the fault alone.

The moments are in every phase (idle, both rinses, fill, pause, tripped, a restart of the bridge, a controller
that boots), and just before and at each boundary between two phases.
"""

from bisect import bisect_right
from dataclasses import dataclass, field, replace
from enum import Enum
from functools import lru_cache, partial

from bridge.errors import InputError
from bridge.guard.commands import (
    Acknowledge,
    CartridgeChanged,
    GuardCommand,
    Hold,
    ReservoirSample,
    Reset,
    Retest,
    StartFill,
)
from bridge.guard.model import Phase
from bridge.protocol.messages import Feature
from bridge.rig.faults import Fault, FaultName
from bridge.rig.scenario import DAY_S, POLYTUNNEL, with_check_cell
from bridge.simulate.detection import signs_of
from bridge.simulate.gardens import Garden, garden_of
from bridge.simulate.hazards import Sign
from bridge.simulate.mishaps import Event, Happening
from bridge.simulate.outcome import Task
from bridge.simulate.year import Year


class Option(Enum):
    """A part that a buyer can fit or leave out."""

    CHECK_CELL = "check-cell"
    """A second cell in the product water, on the controller's second channel instead of the feed cell."""
    DRAIN_VALVE = "drain-valve"
    FLOW_SENSOR = "flow-sensor"
    OVERFLOW_IN_SERIES = "overflow-in-series"
    """An overflow float, wired in series with the valve and read by the controller."""
    LEVEL_SWITCHES = "level-switches"
    """A low and a full switch beside the level sensor."""


_FEATURE = {
    Option.DRAIN_VALVE: Feature.DRAIN_VALVE,
    Option.FLOW_SENSOR: Feature.FLOW_PULSES,
    Option.OVERFLOW_IN_SERIES: Feature.SWITCH_OVERFLOW,
    Option.LEVEL_SWITCHES: Feature.SWITCH_LOW | Feature.SWITCH_FULL,
}
_ALWAYS = Feature.FEED_CELL | Feature.LEVEL_SENSOR
ALL_OPTIONS = frozenset(Option) - {Option.CHECK_CELL}
"""The options of singles and pairs. A check cell would leave no channel for a feed cell."""


def options_of(text: str) -> frozenset[Option]:
    """Return the options that a person wrote, separated by commas.

    Raises:
        InputError: An option is not known.
    """
    found = set()
    for word in filter(None, (part.strip() for part in text.split(","))):
        try:
            found.add(Option(word))
        except ValueError:
            known = ", ".join(option.value for option in Option)
            raise InputError(f"--with {text!r}: {word!r} is not an option; the options are {known}") from None
    return frozenset(found)


@lru_cache(maxsize=64)
def outfit(options: frozenset[Option], start_fraction: float) -> Garden:
    """Return a dry-weather polytunnel with these options, and its barrel filled to this fraction."""
    features = _ALWAYS
    for option in options:
        features |= _FEATURE.get(option, Feature.NONE)
    scenario = replace(
        POLYTUNNEL,
        name="scene",
        # Two days: the standing water is then over the limit, so each rinse has something to rinse out.
        standing_before_start_s=2 * DAY_S,
        climate=replace(POLYTUNNEL.climate, rainy_days_fraction=0.0),
        barrel=replace(POLYTUNNEL.barrel, start_fraction=start_fraction),
        fittings=replace(POLYTUNNEL.fittings, features=features),
    )
    return garden_of(with_check_cell(scenario) if Option.CHECK_CELL in options else scenario)


class Act(Enum):
    """One line of a script."""

    START_FILL = "start a fill"
    HOLD = "hold filling"
    RELEASE = "release the hold"
    UNFIT_SAMPLE = "report an unfit reservoir"
    FIT_SAMPLE = "report a fit reservoir"
    NEW_CARTRIDGE = "report a new cartridge"
    RETEST = "report a good hand measurement of the product"
    ACKNOWLEDGE = "acknowledge every alarm"
    RESET = "reset every trip"
    KILL_BRIDGE = "kill the bridge, which starts again after 8 s"
    RESET_CONTROLLER = "hold the controller in reset for 3 s"


HURRIED = {
    FaultName.PURIFIER_SLIPPING: 6000.0,
    FaultName.PROBE_DRIFT: 600.0,
    FaultName.PROBE_SCALED: 600.0,
}
"""Faults that grow for weeks are hurried, so that a scene of minutes shows them."""
_DEAD_S, _HELD_S = 8.0, 3.0
_WHO = "scene"


def command_of(act: Act, at: float) -> GuardCommand:
    """Return the command of an act at this time of the bridge's monotonic clock."""
    match act:
        case Act.START_FILL:
            return StartFill(at, _WHO)
        case Act.HOLD | Act.RELEASE:
            return Hold(at, _WHO, act is Act.HOLD)
        case Act.UNFIT_SAMPLE | Act.FIT_SAMPLE:
            return ReservoirSample(at, _WHO, 80.0 if act is Act.UNFIT_SAMPLE else 5.0)
        case Act.NEW_CARTRIDGE:
            return CartridgeChanged(at, _WHO)
        case Act.RETEST:
            return Retest(at, _WHO, 2.0)
        case Act.ACKNOWLEDGE:
            return Acknowledge(at, _WHO, None)
        case _:
            return Reset(at, _WHO, None)


def event_of(at_s: float, act: Act) -> Event:
    """Return the event of one line of a script."""
    if act is Act.KILL_BRIDGE:
        return Event(at_s, happening=Happening.KILLED, size=_DEAD_S)
    if act is Act.RESET_CONTROLLER:
        return Event(at_s, Fault(FaultName.CONTROLLER_RESET, 0.0, _HELD_S))
    return Event(at_s, command=partial(command_of, act))


Script = tuple[tuple[float, Act], ...]
_CUE_S = 90.0
_FILL: Script = ((10.0, Act.START_FILL),)
_IDLE: Script = ((140.0, Act.START_FILL),)
_PAUSED: Script = (*_FILL, (_CUE_S, Act.HOLD), (_CUE_S + 2.0, Act.RELEASE))
_TRIPPED: Script = (
    *_FILL,
    (_CUE_S, Act.UNFIT_SAMPLE),
    (_CUE_S + 60.0, Act.FIT_SAMPLE),
    (_CUE_S + 60.0, Act.ACKNOWLEDGE),
    (_CUE_S + 70.0, Act.RESET),
)
_RESTARTED: Script = (*_FILL, (_CUE_S, Act.KILL_BRIDGE), (_CUE_S + 20.0, Act.START_FILL))
_BOOTED: Script = (*_FILL, (_CUE_S, Act.RESET_CONTROLLER))
_HALF, _NEARLY_FULL = 0.6, 0.885


@dataclass(frozen=True, slots=True)
class Scene:
    """A script, and the moment in it at which a fault strikes."""

    name: str
    script: Script
    at_s: float
    """Line seconds; for a boundary the earliest time of the change."""
    to: Phase | None = None
    """The moment is the first change to this phase after ``at_s``; None for ``at_s`` itself."""
    before_s: float = 0.0
    """How long before that moment the fault strikes."""
    start_fraction: float = _HALF
    has_drain: bool = True


_PHASES = (
    Scene("idle", _IDLE, 80.0),
    Scene("rinse to drain", _FILL, 16.0),
    Scene("rinse to reservoir", _FILL, 16.0, has_drain=False),
    Scene("fill", _FILL, _CUE_S),
    Scene("pause", _PAUSED, 100.0),
    Scene("tripped", _TRIPPED, 120.0),
    Scene("bridge restarts", _RESTARTED, _CUE_S + 4.0),
    Scene("controller boots", _BOOTED, _CUE_S + 1.5),
)
PHASES = _PHASES
"""One scene in each phase."""
_BOUNDARIES = (
    Scene("idle to rinse", _FILL, 5.0, Phase.RINSE),
    Scene("rinse to fill", _FILL, 5.0, Phase.FILL),
    Scene("rinse to fill without a drain", _FILL, 5.0, Phase.FILL, has_drain=False),
    Scene("fill to full", _FILL, 30.0, Phase.IDLE, start_fraction=_NEARLY_FULL),
    Scene("fill to pause", _PAUSED, _CUE_S),
    Scene("pause to rinse", _PAUSED, _CUE_S, Phase.RINSE),
    Scene("fill to tripped", _TRIPPED, _CUE_S),
    Scene("tripped to reset", _TRIPPED, _CUE_S + 70.0),
    Scene("bridge dies", _RESTARTED, _CUE_S),
    Scene("bridge starts", _RESTARTED, _CUE_S + _DEAD_S),
    Scene("controller restarts", _BOOTED, _CUE_S),
    Scene("controller has booted", _BOOTED, _CUE_S + _HELD_S + 0.5),
)
_JUST_S = 0.5
BOUNDARIES = tuple(
    scene
    for at in _BOUNDARIES
    for scene in (
        replace(at, name=f"just before {at.name}", before_s=_JUST_S),
        replace(at, name=f"at {at.name}"),
    )
)
"""Two scenes at each boundary between phases."""
FULL = Scene("fill, nearly full", _FILL, 100.0, start_fraction=_NEARLY_FULL)
"""Soon before the fill mark: the scene in which water can come over the rim within minutes."""
SCENES = (*_PHASES, FULL, *BOUNDARIES)
_SLACK_S = 5.0
"""A fault may make the scene's own sign come a little earlier."""


def begin(scene: Scene, options: frozenset[Option], *, thorough: bool = False) -> Year:
    """Return the simulation of a scene.

    Args:
        scene: The scene.
        options: The options that are fitted.
        thorough: Whether the parts run, too, that no verdict on a scene reads.
    """
    events = sorted((event_of(at_s, act) for at_s, act in scene.script), key=lambda event: event.at_s)
    place = outfit(options, scene.start_fraction)
    # One seed for all scenes, so that the weather is the same in all of them.
    task = Task("scene", place.scenario.name, 0.25, faults=True, short=not thorough)
    return Year(task, events=events, place=place)


@dataclass(slots=True)
class Baseline:
    """What happens in a scene without a fault; mutable: it runs as far as somebody asks."""

    scene: Scene
    options: frozenset[Option]
    thorough: bool = False
    _signs: dict[Sign, float] = field(default_factory=dict)
    """Every sign of trouble that the scene itself causes, with the time at which it is first shown."""
    _year: Year = field(init=False)
    _times_s: list[float] = field(default_factory=list)
    _litres: list[tuple[float, float, float]] = field(default_factory=list)
    _changes: list[tuple[float, Phase]] = field(default_factory=list)

    def __post_init__(self) -> None:
        self._year = begin(self.scene, self.options, thorough=self.thorough)
        self._note()

    def litres_at(self, at_s: float) -> tuple[float, float, float]:
        """Return the litres over the limit, over the rim and on the floor until this time."""
        while self._times_s[-1] < at_s:
            self._step()
        return self._litres[bisect_right(self._times_s, at_s) - 1]

    def signs_until(self, at_s: float) -> frozenset[Sign]:
        """Return every sign of trouble that the scene itself has caused until this time, or soon after it."""
        while self._times_s[-1] < at_s + _SLACK_S:
            self._step()
        return frozenset(sign for sign, first_s in self._signs.items() if first_s <= at_s + _SLACK_S)

    @property
    def moment_s(self) -> float:
        """The time at which a fault of this scene strikes."""
        scene = self.scene
        if scene.to is None:
            return scene.at_s - scene.before_s
        while True:
            for at_s, phase in self._changes:
                if phase is scene.to and at_s > scene.at_s:
                    return at_s - scene.before_s
            if self._times_s[-1] > 3600.0:
                raise InputError(f"the scene {scene.name!r} never comes to the phase {scene.to.value}")
            self._step()

    def _step(self) -> None:
        self._year.step()
        self._note()

    def _note(self) -> None:
        year = self._year
        self._times_s.append(year.rig.line_s)
        self._litres.append(litres_of(year))
        assert not year.outcome.violations, f"the scene {self.scene.name} alone: {year.outcome.violations}"
        station = year.station
        if station is not None:
            for sign in signs_of(station):
                self._signs.setdefault(sign, year.rig.line_s)
            phase = station.state.phase
            if not self._changes or self._changes[-1][1] is not phase:
                self._changes.append((year.rig.line_s, phase))


def litres_of(year: Year) -> tuple[float, float, float]:
    """Return the true litres over the limit, over the rim and on the floor since the start."""
    world = year.world
    return world.over_limit_l, world.reservoir.spilled.litres, world.burst.litres


@lru_cache(maxsize=256)
def baseline(scene: Scene, options: frozenset[Option], thorough: bool = False) -> Baseline:
    """Return the baseline of a scene; each process runs it once."""
    return Baseline(scene, options, thorough)
