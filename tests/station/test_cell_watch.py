"""The readings of a station become the tests of the watch over its cell, and a doubt widens and never opens.

The lives of the cells here have a reading every two seconds while water flows, and one a minute while it
stands: a fill a day, and nights that cool and warm (common practice, no source).
"""

import math
import random
from dataclasses import dataclass, field, replace

import pytest

from bridge.demo import station
from bridge.estimate.watch import CellWatch, Check, doubts
from bridge.guard.limits import Limits
from bridge.rig.scenario import DEMO
from bridge.station import cell_watch
from bridge.station.cell_watch import CellRun
from bridge.water.conductivity import conductance_us
from bridge.water.measurement import measure

PLAN = station(DEMO, "nowhere", Limits(), 0.5, 0.9)
CHAIN = PLAN.product.chain
FEED = PLAN.feed
assert FEED is not None
DAY_S = 86_400.0
SOUND, STUCK, DEAD_LEG, SALT_BRIDGE = "sound", "stuck", "dead leg", "salt bridge"


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
        self.alpha = self.dice.uniform(0.019, 0.022)
        self.stuck_us = self.standing_us_cm = 0.0

    def _read(self, us_cm_25: float, celsius: float, flows: bool) -> None:
        us_cm = us_cm_25 * (1.0 + self.alpha * (celsius - 25.0)) + 0.055
        true_us = conductance_us(CHAIN.cell, us_cm) * self.dice.gauss(1.0, 0.002)
        shown_us = true_us
        if self.fault == STUCK:
            self.stuck_us = self.stuck_us or true_us
            shown_us = self.stuck_us
        elif self.fault == SALT_BRIDGE:
            # A path beside the water that does not follow its temperature and carries most of the current.
            shown_us = 0.3 * true_us + 2.0 * conductance_us(CHAIN.cell, self.standing_us_cm)
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


@pytest.mark.parametrize("fault", [STUCK, DEAD_LEG, SALT_BRIDGE])
def test_a_fault_of_the_cell_is_found_within_three_fills_or_five_nights(fault: str) -> None:
    cases, hits = 40, 0
    for case in range(cases):
        life = Life(f"{fault}/{case}")
        for _ in range(6):
            life.day()
        assert not life.checks
        life.fault = fault
        # The night that runs when the fault begins is half sound, so there are six.
        for _ in range(6):
            life.day()
        hits += bool(life.checks)
    assert hits >= 0.95 * cases


def test_a_sound_cell_raises_at_most_one_false_alarm_in_ten_years() -> None:
    alarms = 0
    for case in range(20):
        life, was = Life(f"sound/{case}"), False
        for _ in range(183):
            life.day()
            alarms += bool(life.checks) and not was
            was = bool(life.checks)
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
