"""The simulated world: weather, purifier, reservoir, valve and faults under one time. Core.

The world is a mutable object without a clock and I/O; its owner advances its time. The same scenario, seed,
faults and calls give the same world, number for number.

Between two *events* (midnight, a draw-off, a shower, a fault, a change of the valve) every rate is constant.
Without flow a step has up to half an hour; with flow it is a fraction of the purifier's hold-up. So a year
costs little computing time, and the front and the first litres after a pause stay sharp.
"""

import math
from collections.abc import Iterable

from bridge.errors import OutOfRangeError
from bridge.guard.model import Flow
from bridge.rig.days import (
    Draw,
    DrawPlan,
    air_c,
    day,
    draws_of_day,
    evaporation_l_s,
    feed_ppm,
    mains_c,
    season,
)
from bridge.rig.faults import CURED_BY_CARTRIDGE, Fault, FaultName, FaultPlan
from bridge.rig.scenario import DAY_S, Scenario
from bridge.rig.sensors import Inputs, Scene, Sensors
from bridge.rig.water_path import FRESH, Account, Ageing, Purifier, Reservoir, Truth, flows
from bridge.tank.shapes import UprightCylinder

_IDLE_STEP_S = 1800.0
_FLOW_STEP_L = 0.5
_WASH_STEP_L = 0.05
_LINE_HOLD_UP_L = 0.4
_LINE_TIME_S = 1800.0
_FLOAT_SLACK_L = 0.3
_RAIN_PPM = 5.0
_SLIP_PER_S = 0.0005 / 3600.0


class World:
    """The water around the controller, from the feed pipe to the watering can."""

    def __init__(self, scenario: Scenario, seed: int = 1, faults: Iterable[Fault] = ()) -> None:
        """Build the scenario at world time 0."""
        self.scenario = scenario
        self.seed = seed
        self.time_s = 0.0
        self.driven = Flow.SHUT
        barrel = scenario.barrel
        self._shape = UprightCylinder(barrel.diameter_m, barrel.height_m)
        capacity_l = self._shape.capacity_l
        self._low_l = barrel.low_fraction * capacity_l
        self._full_l = barrel.full_fraction * capacity_l
        self._overflow_l = barrel.overflow_fraction * capacity_l
        self.reservoir = Reservoir(capacity_l, barrel.start_fraction * capacity_l, barrel.start_ppm)
        self.purifier = Purifier(scenario.cartridge, scenario.membrane)
        self.sensors = Sensors(scenario, seed)
        self.plan = FaultPlan(faults)
        self.feed = Account()
        self.concentrate = Account()
        self.drained = Account()
        self.burst = Account()
        self.flowed_l = 0.0
        self.over_limit_l = 0.0
        self._washing_l = 0.0
        self._draws = DrawPlan()
        self._float_up = self.reservoir.volume_l >= self._overflow_l
        self._today = day(scenario.climate, seed, 0)
        self._plan_day()
        self._water_c = self._air_c()
        self.purifier.stand(scenario.standing_before_start_s, self._feed_ppm())
        self._refresh()

    # -- actions of people and of the controller ------------------------------------------------------

    def drive(self, path: Flow) -> None:
        """Drive a path from now on."""
        if path is not self.driven:
            self.driven = path
            self._refresh()

    def draw(self, litres: float, flow_l_min: float = 30.0) -> None:
        """Draw water from the reservoir, beginning now.

        Args:
            litres: The amount, above 0.
            flow_l_min: The flow, above 0 L/min.

        Raises:
            OutOfRangeError: The amount or the flow is not above 0.
        """
        if not (0.0 < litres < math.inf and 0.0 < flow_l_min < math.inf):
            raise OutOfRangeError(f"drawing {litres} L at {flow_l_min} L/min: both must be numbers above 0")
        flow_l_s = flow_l_min / 60.0
        self._draws.add(Draw(self.time_s, self.time_s + litres / flow_l_s, flow_l_s))
        self._refresh()

    def change_cartridge(self) -> None:
        """Fit a new cartridge; faults of the old one end."""
        self.purifier.change_cartridge()
        self.plan.end(CURED_BY_CARTRIDGE, self.time_s)
        self._refresh()

    def inject(self, fault: Fault) -> None:
        """Plan one more fault; one whose start has passed begins now."""
        self.plan.add(fault, self.time_s)
        self._refresh()

    def repair(self, name: FaultName) -> None:
        """End an active fault now."""
        self.plan.end(frozenset({name}), self.time_s)
        self._refresh()

    # -- time ----------------------------------------------------------------------------------------

    def advance(self, to_s: float) -> None:
        """Advance time to ``to_s`` through all events; a time in the past has no effect."""
        while self.time_s < to_s:
            self.step(to_s)

    def step(self, to_s: float) -> float:
        """Advance time to ``to_s``, or to the first event that the controller can notice at once.

        These events are a move of the overflow float and the start or the end of a fault.

        Args:
            to_s: The time to reach, s.

        Returns:
            The time reached, s.
        """
        float_was_up = self.overflow_up
        faults_were = self.plan.active
        while self.time_s < to_s:
            if self.time_s >= self._next_event_s:
                self._refresh()
            self._small_step(min(to_s, self._next_event_s))
            if self.time_s >= self._next_event_s:
                self._refresh()
            if self.overflow_up is not float_was_up or self.plan.active is not faults_were:
                break
        return self.time_s

    @property
    def next_event_s(self) -> float:
        """The next time at which a rate changes by itself: a draw-off, a shower, a fault, midnight."""
        return self._next_event_s

    @property
    def is_quiet(self) -> bool:
        """Whether no product flows and no water is drawn, so that steps can be long."""
        return self._flows.product_l_s == 0.0 and self._draw_l_s == 0.0

    @property
    def rising_l_s(self) -> float:
        """Inflow through the valve less the draw-off, L/s; below 0 when the level falls."""
        return self._flows.to_reservoir_l_s - self._draw_l_s

    @property
    def below_mark_l(self) -> float:
        """Litres until the reservoir is at its fill mark; below 0 above the mark."""
        return self._full_l - self.reservoir.volume_l

    @property
    def water_c(self) -> float:
        """Temperature of the water at the cells, °C."""
        return self._water_c

    @property
    def product_ppm(self) -> float:
        """True dissolved solids at the product cell, ppm."""
        return self.purifier.product_ppm(self._feed_ppm(), self._water_c, self._ageing())

    def _small_step(self, to_s: float) -> None:
        seconds = to_s - self.time_s
        flow = self._flows
        product_l_s = flow.product_l_s
        if product_l_s > 0.0:
            at_most_l = _WASH_STEP_L if self._washing_l < 10.0 * _LINE_HOLD_UP_L else _FLOW_STEP_L
            seconds = min(seconds, at_most_l / product_l_s)
            rise_l_s = flow.to_reservoir_l_s - self._draw_l_s
            if not self._float_up and rise_l_s > 0.0:
                # The step ends where the overflow float rises, so that the valve reacts there.
                seconds = min(
                    seconds, max(1e-3, (self._overflow_l - self.reservoir.volume_l) / rise_l_s + 1e-6)
                )
        else:
            seconds = min(seconds, _IDLE_STEP_S)
        middle_s = self.time_s + 0.5 * seconds
        air = air_c(self.scenario.climate, self._today, self.scenario.start_day, middle_s)
        inflow_l = inflow_mg = 0.0
        if product_l_s > 0.0:
            inflow_l, inflow_mg = self._flow(product_l_s * seconds)
        else:
            self._washing_l = 0.0
            self.purifier.stand(seconds, self._feed_ppm())
            self._water_c += (air - self._water_c) * -math.expm1(-seconds / _LINE_TIME_S)
        evaporated_l = (
            evaporation_l_s(self.scenario.climate, self.scenario.barrel.open_surface_m2, air) * seconds
        )
        rain_l = self._rain_l_s * seconds
        self.reservoir.exchange(
            inflow_l, inflow_mg, rain_l, rain_l * _RAIN_PPM, evaporated_l, self._draw_l_s * seconds
        )
        # The sum of the steps must reach the given time exactly, or a loop would never end.
        self.time_s = to_s if self.time_s + seconds >= to_s - 1e-9 else self.time_s + seconds
        self._move_float()

    def _flow(self, litres: float) -> tuple[float, float]:
        """Let product through; return the part that enters the reservoir, L and mg."""
        flow = self._flows
        feed = self._feed_ppm()
        passed = self.purifier.flow(litres, feed, self._water_c, self._ageing())
        self._washing_l += litres
        self.flowed_l += litres
        mains = mains_c(self.scenario.climate, self.scenario.start_day, self.time_s)
        self._water_c += (mains - self._water_c) * -math.expm1(-litres / _LINE_HOLD_UP_L)
        self.feed.add(passed.feed_l, passed.feed_mg)
        self.concentrate.add(passed.feed_l - litres, passed.concentrate_mg)
        if flow.to_drain_l_s > 0.0:
            self.drained.add(litres, passed.product_mg)
        elif flow.to_floor_l_s > 0.0:
            self.burst.add(litres, passed.product_mg)
        else:
            if passed.product_mg > self.scenario.limit_ppm * litres:
                self.over_limit_l += litres
            return litres, passed.product_mg
        return 0.0, 0.0

    # -- measurement -----------------------------------------------------------------------------------

    @property
    def overflow_up(self) -> bool:
        """The contact of the overflow float, with its faults."""
        active = self.plan.active
        if active:
            if FaultName.OVERFLOW_FLOAT_UP in active:
                return True
            if FaultName.OVERFLOW_FLOAT_DOWN in active:
                return False
        return self._float_up

    def measure(self) -> Inputs:
        """Run one cycle of measurements; it draws random values, so the number of calls matters."""
        barrel = self.scenario.barrel
        reservoir = self.reservoir
        level = self._shape.depth_m(reservoir.volume_l) / barrel.height_m
        level_sensor = (level - barrel.level_sensor_bottom_fraction) / (
            barrel.level_sensor_top_fraction - barrel.level_sensor_bottom_fraction
        )
        feed = self._feed_ppm()
        return self.sensors.measure(
            Scene(
                self.time_s,
                self.purifier.product_ppm(feed, self._water_c, self._ageing()),
                feed,
                self._water_c,
                min(1.0, max(0.0, level_sensor)),
                reservoir.volume_l >= self._low_l,
                reservoir.volume_l >= self._full_l,
                self.overflow_up,
                self.flowed_l,
            ),
            self.plan,
        )

    def truth(self) -> Truth:
        """Return the true state now."""
        reservoir = self.reservoir
        feed = self._feed_ppm()
        return Truth(
            time_s=self.time_s,
            driven=self.driven,
            path=self._flows.path,
            flow_l_min=self._flows.product_l_s * 60.0,
            volume_l=reservoir.volume_l,
            level_fraction=self._shape.depth_m(reservoir.volume_l) / self.scenario.barrel.height_m,
            reservoir_ppm=reservoir.ppm,
            product_ppm=self.purifier.product_ppm(feed, self._water_c, self._ageing()),
            feed_ppm=feed,
            water_c=self._water_c,
            air_c=self._air_c(),
            overflow_up=self._float_up,
            load_fraction=self.purifier.load_fraction,
            treated_l=self.purifier.treated_l,
            inflow_l=reservoir.inflow.litres,
            over_limit_l=self.over_limit_l,
            drained_l=self.drained.litres,
            burst_l=self.burst.litres,
            drawn_l=reservoir.drawn.litres,
            spilled_l=reservoir.spilled.litres,
            evaporated_l=reservoir.evaporated.litres,
            rain_l=reservoir.rain.litres,
            faults=tuple(sorted(name.value for name in self.plan.active)),
        )

    # -- inside --------------------------------------------------------------------------------------

    def _air_c(self) -> float:
        return air_c(self.scenario.climate, self._today, self.scenario.start_day, self.time_s)

    def _feed_ppm(self) -> float:
        scenario = self.scenario
        return feed_ppm(scenario.feed, scenario.climate, scenario.start_day, self.time_s)

    def _ageing(self) -> Ageing:
        active = self.plan.active
        if not active:
            return FRESH
        slipping = active.get(FaultName.PURIFIER_SLIPPING)
        slip = 0.0
        if slipping is not None:
            slip = min(1.0, (self.time_s - slipping.start_s) * _SLIP_PER_S * slipping.severity)
        return Ageing(FaultName.PURIFIER_EXHAUSTED in active, slip)

    def _move_float(self) -> None:
        volume_l = self.reservoir.volume_l
        slack_l = _FLOAT_SLACK_L if self._float_up else 0.0
        up = volume_l >= self._overflow_l - slack_l
        if up is not self._float_up:
            self._float_up = up
            self._refresh()

    def _plan_day(self) -> None:
        scenario = self.scenario
        number = self._today.number
        warmth = season(scenario.climate, scenario.start_day + number)
        self._draws.add(*draws_of_day(scenario.waterings, number, warmth))

    def _refresh(self) -> None:
        """Compute every rate and the time until which they hold."""
        now_s = self.time_s
        if now_s >= (self._today.number + 1) * DAY_S:
            self._today = day(self.scenario.climate, self.seed, self._today.number + 1)
            self._plan_day()
            dust_ppm = self._today.dust * self.scenario.barrel.dust_ppm_day
            self.reservoir.exchange(0.0, 0.0, 0.0, dust_ppm * self.reservoir.volume_l, 0.0, 0.0)
        if now_s >= self.plan.next_change_s:
            self.plan.update(now_s)
        self._flows = flows(self.driven, self.overflow_up, self.plan, self.scenario.fittings)
        self._draw_l_s = self._draws.flow_l_s(now_s)
        self._rain_l_s = self._today.rain_mm_s(now_s) * self.scenario.barrel.rain_catch_m2
        shower = [m for m in (self._today.rain_start_s, self._today.rain_end_s) if m > now_s]
        self._next_event_s = min(
            (self._today.number + 1) * DAY_S,
            self._draws.next_change_s(now_s),
            self.plan.next_change_s,
            *shower,
        )
