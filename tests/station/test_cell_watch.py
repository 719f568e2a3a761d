"""The readings of a station become the tests of the watch over its cell, and a doubt widens and never opens.

The lives of the cells here have a reading every two seconds while water flows, and one every five minutes
while it stands: a fill a day, and nights that cool and warm (common practice, no source). The ions are salts,
acids and alkali, which follow temperature as in the gardens of a campaign
(:mod:`bridge.simulate.instruments`).
``CLEARWELL_SEED`` lives other lives.
"""

import math
import os
import random
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path

import pytest

from bridge.demo import station
from bridge.estimate.watch import CellWatch, Check, doubts
from bridge.guard.limits import Limits
from bridge.guard.model import Flow
from bridge.rig.scenario import DEMO
from bridge.rig.sensors import conductivity_us_cm
from bridge.simulate.instruments import ions_of_bed
from bridge.station import balance, cell_watch, inventory
from bridge.station.cell_watch import CellRun
from bridge.station.plan import CalibrationInForce
from bridge.tank.level import Level, Zone
from bridge.water.conductivity import conductance_us
from bridge.water.measurement import measure

PLAN = station(DEMO, "nowhere", Limits(), 0.5, 0.9)
CHAIN = PLAN.product.chain
FEED = PLAN.feed
assert FEED is not None
DAY_S = 86_400.0
SOUND, STUCK, DEAD_LEG, SALT_BRIDGE = "sound", "stuck", "dead leg", "salt bridge"
HALF_BRIDGE = "half a salt bridge"
SEED = os.environ.get("CLEARWELL_SEED", "lives")


@dataclass
class Life:
    """A purifier with its cell, as it truly is; one day after another."""

    seed: str
    fault: str = SOUND
    now: float = 0.0
    run: CellRun = CellRun()
    seen: CellWatch = CellWatch()
    dice: random.Random = field(init=False)

    def __post_init__(self) -> None:
        self.dice = random.Random(self.seed)
        self.product_us_cm = self.dice.uniform(8.0, 60.0)
        self.rise = self.dice.uniform(0.5, 2.0)
        self.middle_c = self.dice.uniform(8.0, 22.0)
        self.ions = ions_of_bed(self.dice)
        self.stuck_us = self.standing_us_cm = 0.0
        # Such a path conducts as much as the usual standing water at its mean temperature.
        usual_us_cm = self._us_cm(self.product_us_cm * math.exp(self.rise), self.middle_c)
        self.bridge_us = conductance_us(CHAIN.cell, usual_us_cm)

    def _us_cm(self, salt_25_us_cm: float, celsius: float) -> float:
        return conductivity_us_cm(salt_25_us_cm, 1.0, celsius, self.ions)

    def _read(self, us_cm_25: float, celsius: float, flows: bool) -> None:
        true_us = conductance_us(CHAIN.cell, self._us_cm(us_cm_25, celsius)) * self.dice.gauss(1.0, 0.002)
        shown_us = true_us
        if self.fault == STUCK:
            self.stuck_us = self.stuck_us or true_us
            shown_us = self.stuck_us
        elif self.fault == SALT_BRIDGE:
            # A path beside the water that does not follow its temperature and carries most of the current.
            shown_us = 0.3 * true_us + 2.0 * conductance_us(CHAIN.cell, self.standing_us_cm)
        elif self.fault == HALF_BRIDGE:
            shown_us = true_us + self.bridge_us
        product = measure(CHAIN, shown_us, celsius + self.dice.gauss(0.0, 0.05))
        feed = None
        if flows and FEED is not None:
            feed = measure(FEED.chain, 600.0, celsius + self.dice.gauss(0.0, 0.2))
        self.run, self.seen = cell_watch.look(self.run, self.seen, flows, product, feed, self.now)

    def day(self) -> None:
        """Standing water with a night in it, and a fill of four minutes."""
        swing_k, leached = self.dice.uniform(1.5, 5.0), self.dice.uniform(0.0, 0.3)
        self.standing_us_cm = self.product_us_cm * math.exp(self.rise * self.dice.lognormvariate(0.0, 0.25))
        celsius = self.middle_c
        for minute in range(0, 24 * 60 - 5, 5):
            hours = minute / 60.0
            celsius = self.middle_c + swing_k * math.cos(math.pi * hours / 9.5)
            grown = 1.0 + leached * (1.0 - math.exp(-hours / 4.0))
            self._read(self.standing_us_cm / (1.0 + leached) * grown, celsius, False)
            self.now += 300.0
        seen_transient = 0.03 if self.fault == DEAD_LEG else 1.0
        for second in range(0, 240, 2):
            left = math.exp(-max(second - 12.0, 0.0) / 8.0)
            share = math.log(self.standing_us_cm / self.product_us_cm) * left * seen_transient
            self._read(self.product_us_cm * math.exp(share), celsius, True)
            self.now += 2.0

    @property
    def checks(self) -> set[Check]:
        return {one.check for one in doubts(self.seen)}


@pytest.mark.parametrize("fault", [STUCK, DEAD_LEG, SALT_BRIDGE, HALF_BRIDGE])
def test_a_fault_of_the_cell_is_found_within_three_fills_or_five_nights(fault: str) -> None:
    cases, hits = 40, 0
    for case in range(cases):
        life = Life(f"{SEED}/{fault}/{case}")
        for _ in range(6):
            life.day()
        assert not life.checks
        life.fault = fault
        # The night that runs when the fault begins is half sound, so there are six.
        for _ in range(6):
            life.day()
        hits += bool(life.checks)
    print(f"{fault}: {hits} of {cases}")
    assert hits >= 0.95 * cases


def test_a_sound_cell_raises_at_most_one_false_alarm_in_ten_years() -> None:
    alarms = 0
    for case in range(20):
        life, was = Life(f"{SEED}/sound/{case}"), False
        for _ in range(183):
            life.day()
            alarms += bool(life.checks) and not was
            was = bool(life.checks)
    print(f"{alarms} false alarms in 10 years")
    assert alarms <= 1


def test_a_doubtful_or_old_cell_has_a_larger_uncertainty_and_never_a_smaller_one() -> None:
    doubtful = CellWatch(transients=(0.8,) * 5, flat_fills=3)

    def percent(seen: CellWatch, running_s: float) -> float:
        return cell_watch.in_use(PLAN, seen, running_s).product.chain.uncertainties.cell_constant_percent

    assert percent(CellWatch(), 0.0) == CHAIN.uncertainties.cell_constant_percent
    assert percent(doubtful, 0.0) == 15.0
    assert percent(doubtful, 10 * 365 * DAY_S) >= 15.0


def test_a_calibration_is_due_by_the_interval_at_the_limit() -> None:
    def with_percent(percent: float) -> bool:
        chain = replace(CHAIN, uncertainties=replace(CHAIN.uncertainties, cell_constant_percent=percent))
        return cell_watch.calibration_due(replace(PLAN, product=replace(PLAN.product, chain=chain)))

    assert not with_percent(1.0)
    assert not with_percent(5.0)
    assert with_percent(8.0)


def test_a_calibration_is_due_when_it_is_older_than_a_season() -> None:
    def due(days_old: float, running_days: float) -> bool:
        made = CalibrationInForce(
            datetime(2026, 1, 1, tzinfo=UTC), "84", 0.5, Path("file"), 1.0, DAY_S * days_old
        )
        calibrated = replace(PLAN, product=replace(PLAN.product, calibration=made))
        return cell_watch.calibration_due(calibrated, DAY_S * running_days)

    assert not due(0.0, 0.0)
    assert not due(300.0, 60.0)
    assert due(300.0, 70.0)
    assert due(400.0, 0.0)


def test_bad_water_that_passes_a_full_reservoir_through_a_stuck_valve_is_counted_by_the_flow_meter() -> None:
    full_l = 0.97 * PLAN.identity.capacity_l
    start = inventory.assuming(inventory.begin(PLAN), 5.0, full_l)

    def after(ppm: float, path: Flow, overflow: bool) -> inventory.Inventory:
        held, level = start, Level(0.7, full_l, Zone.FULL, overflow, ())
        for second in range(1500):
            held = balance.follow(PLAN, held, level, path, 0.2, ppm, 0.1 * ppm, 300.0, 1.0, float(second))
        return held

    assert 200.0 < inventory.holding(after(300.0, Flow.SHUT, True)) < 300.0
    assert inventory.holding(after(300.0, Flow.TO_DRAIN, True)) == pytest.approx(5.0, abs=0.1)
    # Better water may also have gone beside the reservoir: the guard counts with the worse that was there.
    better = after(1.0, Flow.SHUT, True)
    assert inventory.holding(better) < 5.0
    assert inventory.holding_at_worst(better) >= inventory.holding_at_worst(start)


def test_the_proof_test_of_the_float_is_due_a_season_after_it_was_last_up() -> None:
    one = replace(inventory.begin(PLAN), proved_at=1000.0)
    assert not inventory.proof_test_due(PLAN, one, 1000.0 + 360.0 * DAY_S)
    assert inventory.proof_test_due(PLAN, one, 1000.0 + 367.0 * DAY_S)
    no_float = replace(PLAN, limits=replace(PLAN.limits, has_overflow_float=False))
    assert not inventory.proof_test_due(no_float, one, 1000.0 + 367.0 * DAY_S)
    later = 1000.0 + 367.0 * DAY_S
    for overflow, proved_at in ((False, 1000.0), (True, later)):
        level = Level(0.5, 100.0, Zone.MIDDLE, overflow, ())
        after = balance.follow(PLAN, one, level, Flow.SHUT, None, 5.0, 0.5, 300.0, elapsed_s=1.0, now=later)
        assert after.proved_at == proved_at
