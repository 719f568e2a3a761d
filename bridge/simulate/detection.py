"""Measures how long the bridge takes to detect each injected fault. The first sign stops the timer."""

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field

from bridge.guard.alarms import Status
from bridge.guard.model import Flow
from bridge.rig.faults import Fault, FaultName
from bridge.rig.world import World
from bridge.simulate.hazards import LEVEL_HEALTH, Hazard, Matters, Organ, Sign, hidden_by
from bridge.station.station import Station
from bridge.tank.level import Level

_WARMED_K = 3.5
_WHILE_SHUT = frozenset({Matters.ALWAYS, Matters.AFTER})
_WHILE_RISING = _WHILE_SHUT | {Matters.SHUT_FLOW}
"""The timers that can run while the valve is shut, without and with water that flows; below those of an open
valve."""
_IN_FLOW = frozenset(Matters) - {Matters.NEVER, Matters.SHUT_FLOW}
_INSTRUMENTS = frozenset({Organ.PROBE, Organ.CELLS, Organ.LEVEL})
_UNBROKEN = frozenset({Matters.SHUT_FLOW, Matters.PURE, Matters.OVER})


@dataclass(slots=True)
class Tally:
    """Counts the outcomes of all faults of one kind."""

    injected: int = 0
    mattered: int = 0
    """Faults that were detected, or whose timer ran to its bound."""
    seen: int = 0
    times_s: list[float] = field(default_factory=list)
    bound_s: float = 0.0
    over_limit_l: float = 0.0
    """Most litres over the limit that entered while one of these faults was active."""
    spilled_l: float = 0.0
    floor_l: float = 0.0


@dataclass(slots=True)
class _Watch:
    """One injected fault that is still watched."""

    fault: Fault
    hazard: Hazard
    known: frozenset[Sign]
    """Signs that were present before the fault began. They do not show this fault."""
    over_limit_l: float
    spilled_l: float
    floor_l: float
    clock_s: float = -1.0
    """Below 0 until the step in which the fault was injected is over."""
    low_c: float = math.inf
    """The lowest temperature of the water since the fault can be detected; ``high_c`` is the highest."""
    high_c: float = -math.inf
    ended: bool = False
    settled: bool = False
    """The fault was detected or missed. Only its consequence is still recorded."""
    met: bool = True
    """The bridge has run since before the fault, so it knows the controller from before."""


class Detection:
    """The fault timers of one year; mutable."""

    def __init__(
        self, table: dict[FaultName, Hazard], world: World, ratio: Callable[[], float] = lambda: 1.0
    ) -> None:
        """Watch faults by this table.

        Args:
            table: The signs and the bounds.
            world: The world.
            ratio: Returns what the product cell reads for each true µS/cm.
        """
        self._ratio = ratio
        self.tallies = {name.value: Tally(bound_s=row.bound_s) for name, row in table.items()}
        self._table = table
        self._world = world
        self._watched: list[_Watch] = []
        self._active_before: dict[FaultName, Fault] = {}
        self._others: dict[FaultName, Fault] = {}

    @property
    def watching(self) -> bool:
        """Whether any fault is still watched."""
        return bool(self._watched)

    def expects_a_sign(self, seconds: float, *, driven: bool) -> bool:
        """Return whether a sign may become overdue within so many seconds in which no fault begins or ends.

        Args:
            seconds: The time ahead.
            driven: Whether the valve stays open for all of it; False if it stays shut.
        """
        shut = _WHILE_SHUT if self._world.is_quiet else _WHILE_RISING
        return any(
            not watch.settled
            and watch.hazard.matters in (_IN_FLOW if driven else shut)
            and watch.clock_s + seconds > watch.hazard.bound_s
            and not self._hidden(watch)
            for watch in self._watched
        )

    def injected(self, fault: Fault, station: Station | None) -> None:
        """Start the timer of a fault that begins now."""
        tally = self.tallies[fault.name.value]
        tally.injected += 1
        world = self._world
        known = frozenset[Sign]() if station is None else signs_of(station)
        self._watched.append(
            _Watch(
                fault,
                self._table[fault.name],
                known,
                world.over_limit_l,
                world.reservoir.spilled.litres,
                world.burst.litres,
            )
        )

    def passed(
        self,
        seconds: float,
        driven: Flow,
        station: Station | None,
        *,
        alive: bool,
        sound: bool,
        hears: bool,
        new_fill: bool,
    ) -> str | None:
        """Advance the timers by one step.

        Args:
            seconds: The length of the step.
            driven: The path of the valve during the step.
            station: The station; None while no bridge runs.
            alive: Whether the bridge runs.
            sound: Whether the bridge runs and its line is undisturbed.
            hears: Whether a reading has reached the bridge lately. After a long silence it opens its port
                again, with a pause before each attempt, and until then no frame arrives.
            new_fill: Whether a trip, a reset or a start ended the fill.

        Returns:
            A sentence if a fault's time is over and no sign shows the fault.
        """
        if not self._watched:
            return None
        signs = frozenset[Sign]()
        if station is not None and any(not watch.settled for watch in self._watched):
            signs = signs_of(station)
        wrong = None
        active = self._world.plan.active
        # A fault that was active only at the start of the step can hide another, too.
        self._others = {**self._active_before, **active}
        self._active_before = active
        for watch in list(self._watched):
            fault = watch.fault
            if watch.clock_s < 0.0:
                watch.clock_s = 0.0
                continue
            ended = fault.name not in active or active[fault.name].start_s != fault.start_s
            if ended and not watch.ended:
                watch.ended = True
                self._book(watch)
            if not watch.settled:
                wrong = self._look(watch, seconds, driven, signs, alive, sound, hears, new_fill) or wrong
            if watch.ended and (watch.settled or watch.hazard.matters is not Matters.AFTER):
                self._watched.remove(watch)
        return wrong

    def finished(self) -> None:
        """Record the consequences of the faults that are still active at the end of the year."""
        for watch in self._watched:
            if not watch.ended:
                self._book(watch)
        self._watched.clear()

    def _look(
        self,
        watch: _Watch,
        seconds: float,
        driven: Flow,
        signs: frozenset[Sign],
        alive: bool,
        sound: bool,
        hears: bool,
        new_fill: bool,
    ) -> str | None:
        hazard = watch.hazard
        tally = self.tallies[watch.fault.name.value]
        watch.known &= signs
        celsius = self._world.water_c
        watch.low_c, watch.high_c = min(watch.low_c, celsius), max(watch.high_c, celsius)
        runs = self._runs(watch, driven)
        if runs:
            watch.clock_s += seconds
        lasting = hazard.matters not in (Matters.ALWAYS, Matters.AFTER)
        watch.met = watch.met and (alive or watch.ended)
        if hazard.matters is Matters.AFTER and watch.ended and not watch.met:
            # To a bridge that started in the fault, the first frame after it is the first frame of all.
            watch.settled = True
            return None
        # The bound of a restart itself has room for such a pause.
        heard = alive if hazard.organ is Organ.LINK else sound and (hears or hazard.matters is Matters.AFTER)
        if not heard or self._hidden(watch):
            # A sign that is present now may have another cause.
            watch.known |= signs & hazard.signs
            watch.clock_s = 0.0
            watch.low_c, watch.high_c = math.inf, -math.inf
            watch.settled = hazard.matters is Matters.AFTER and watch.ended
            return None
        if (signs & hazard.signs) - watch.known:
            tally.mattered += 1
            tally.seen += 1
            tally.times_s.append(watch.clock_s)
            watch.settled = True
            return None
        if hazard.signs & watch.known:
            # The sign is already present for another cause, so this fault cannot add a new one.
            watch.settled = watch.hazard.matters is not Matters.NEVER
            return None
        if (new_fill and lasting) or (hazard.matters in _UNBROKEN and not runs):
            watch.clock_s = 0.0
        if hazard.matters is Matters.NEVER or watch.clock_s <= hazard.bound_s:
            return None
        tally.mattered += 1
        watch.settled = True
        expected = ", ".join(sorted(s if isinstance(s, str) else s.value for s in hazard.signs))
        return (
            f"{watch.fault.name.value}, active since {watch.fault.start_s:.0f} s, has mattered for "
            f"{watch.clock_s:.0f} s and nothing shows it; one of these was due within "
            f"{hazard.bound_s:.0f} s: {expected}"
        )

    def _runs(self, watch: _Watch, driven: Flow) -> bool:
        world = self._world
        match watch.hazard.matters:
            case Matters.ALWAYS:
                return not watch.ended
            case Matters.AFTER:
                return watch.ended
            case Matters.PURE:
                return driven is not Flow.SHUT and self.product_ppm() < 1.0
            case Matters.WARMED:
                return driven is not Flow.SHUT and watch.high_c - watch.low_c >= _WARMED_K
            case Matters.FILLING:
                return driven is Flow.TO_RESERVOIR
            case Matters.OVER:
                # A cell that reads low does not show it: its own error is no fault that the table has.
                shown_ppm = self.product_ppm() * min(self._ratio(), 1.0)
                return driven is not Flow.SHUT and shown_ppm > 1.02 * world.scenario.limit_ppm
            case Matters.SHUT_FLOW:
                return driven is Flow.SHUT and world.rising_l_s > 0.0 and self._in_sight()
            case Matters.NEVER:
                return not watch.ended

    def _in_sight(self) -> bool:
        """Whether the true level lies between the stops of the level sensor's float."""
        barrel, reservoir = self._world.scenario.barrel, self._world.reservoir
        fraction = reservoir.volume_l / reservoir.capacity_l
        return barrel.level_sensor_bottom_fraction < fraction < barrel.level_sensor_top_fraction

    def product_ppm(self) -> float:
        """Return the true ppm of the product now."""
        return self._world.product_ppm

    def instrument_fault_unseen(self, station: Station | None) -> bool:
        """Return whether a fault of a cell or of the level is active, and the bridge shows no sign of it."""
        faulty = [name for name in self._world.plan.active if self._table[name].organ in _INSTRUMENTS]
        if not faulty:
            return False
        shown = frozenset[Sign]() if station is None else signs_of(station)
        return any(not shown & self._table[name].signs for name in faulty)

    def _hidden(self, watch: _Watch) -> bool:
        mine = watch.fault.name
        organs = hidden_by(watch.hazard.organ)
        return any(name is not mine and self._table[name].organ in organs for name in self._others)

    def _book(self, watch: _Watch) -> None:
        tally, world = self.tallies[watch.fault.name.value], self._world
        tally.over_limit_l = max(tally.over_limit_l, world.over_limit_l - watch.over_limit_l)
        tally.spilled_l = max(tally.spilled_l, world.reservoir.spilled.litres - watch.spilled_l)
        tally.floor_l = max(tally.floor_l, world.burst.litres - watch.floor_l)


def signs_of(station: Station) -> frozenset[Sign]:
    """Return every sign of trouble that the bridge shows now."""
    shown: Iterable[Sign] = [
        record.alarm
        for record in station.state.alarms
        if record.status not in (Status.NORMAL, Status.CLEARED_UNACKNOWLEDGED)
    ]
    picture = station.picture
    if picture is not None and _level_ails(picture.level):
        return frozenset({*shown, LEVEL_HEALTH})
    return frozenset(shown)


def _level_ails(level: Level) -> bool:
    return level.zone is None or bool(level.faults)
