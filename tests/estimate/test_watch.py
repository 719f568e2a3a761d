"""The power and the false alarms of the watch over the cell, in worlds that the watch did not make.

Waters are those of ``worlds``. Purifiers, nights and thermometers: common practice, no source.
"""

import json
import math
import random

import pytest

from bridge.errors import InputError
from bridge.estimate import watch
from bridge.estimate.watch import CellWatch, Check, doubts
from bridge.water.conductivity import Compensation, Method, conductivity_25, pure_water_us_cm
from tests.estimate.barrels import season
from tests.estimate.worlds import METERS, WATERS, Age

FILLS_A_YEAR = 100
PURE = Compensation(Method.PURE)
PURE_25_US_CM = pure_water_us_cm(25.0)


def found(seen: CellWatch) -> set[Check]:
    return {doubt.check for doubt in doubts(seen)}


def _fill(dice: random.Random, seen: CellWatch, usual: float, flushed: float = 1.0) -> CellWatch:
    """One fill; ``flushed`` is the share of the transient that the cell sees."""
    stood_h = dice.uniform(0.5, 60.0)
    transient = usual * (1.0 - math.exp(-stood_h / 6.0)) * dice.lognormvariate(0.0, 0.35) * flushed
    settled = 100.0 * dice.lognormvariate(0.0, 0.2)
    noise = dice.gauss(0.0, 0.003)
    return watch.fill_seen(seen, settled * math.exp(transient + noise), settled, stood_h * 3600.0)


@pytest.mark.parametrize("flushed", [0.0, 0.03], ids=["stuck", "dead leg"])
def test_a_cell_that_the_product_does_not_flush_is_found_within_three_fills_after_long_standing(
    flushed: float,
) -> None:
    dice, hits, cases = random.Random(11), 0, 400
    for _ in range(cases):
        usual, seen = dice.uniform(0.4, 2.0), CellWatch()
        for _ in range(20):
            seen = _fill(dice, seen, usual)
        assert not found(seen)
        fills = 0
        while fills < watch.FILLS_RUNNING:
            before = seen
            seen = _fill(dice, seen, usual, flushed)
            fills += seen is not before
        hits += Check.RINSE in found(seen)
    assert hits >= 0.95 * cases


def test_a_flushed_cell_gives_no_false_alarm_in_a_hundred_years() -> None:
    dice = random.Random(12)
    alarms = 0
    for _ in range(50):
        usual, seen = dice.uniform(0.1, 2.0), CellWatch()
        for _ in range(2 * FILLS_A_YEAR):
            seen = _fill(dice, seen, usual)
            alarms += Check.RINSE in found(seen)
    assert alarms == 0


def _night(dice: random.Random, seen: CellWatch, name: str, fault: str | None = None) -> CellWatch:
    """One night from evening to forenoon, a reading every ten minutes."""
    water = WATERS[name][1](dice)
    strength = water.strength(dice.uniform(10.0, 100.0))
    middle_c, swing_k = dice.uniform(9.0, 23.0), dice.uniform(1.5, 5.0)
    leached, per_hour = dice.uniform(0.0, 0.3), 1.0 / dice.uniform(2.0, 8.0)
    stuck_us_cm = water.us_cm(strength, middle_c)
    for minute in range(0, 14 * 60, 10):
        hours = minute / 60.0
        c = middle_c + swing_k * math.cos(math.pi * hours / 9.5)
        us_cm = water.us_cm(strength, c) * (1.0 + leached * (1.0 - math.exp(-hours * per_hour)))
        shown_c = c
        if fault == "stuck":
            us_cm = stuck_us_cm
        elif fault == "salt bridge":
            # A path beside the water that does not follow its temperature.
            us_cm = 0.3 * us_cm + 2.0 * stuck_us_cm
        elif fault == "half a salt bridge":
            us_cm += stuck_us_cm
        elif fault == "thermometer in air":
            shown_c = middle_c + 3.0 * (c - middle_c)
        us_cm *= dice.gauss(1.0, 0.002)
        shown_c += dice.gauss(0.0, 0.05)
        at_c = min(max(shown_c, 0.0), 50.0)
        seen = watch.night_reading(seen, conductivity_25(PURE, us_cm, at_c) - PURE_25_US_CM, at_c, hours)
    return watch.night_ended(seen)


@pytest.mark.parametrize("fault", ["stuck", "salt bridge", "half a salt bridge", "thermometer in air"])
def test_a_cell_that_does_not_follow_the_temperature_is_found_within_five_nights(fault: str) -> None:
    dice, hits, cases = random.Random(f"21/{fault}"), 0, 100
    for _ in range(cases):
        name, seen = dice.choice(sorted(WATERS)), CellWatch()
        for _ in range(watch.NIGHTS):
            before = seen
            while seen.nights is before.nights:
                seen = _night(dice, seen, name, fault)
        hits += Check.NIGHT in found(seen)
    assert hits >= 0.95 * cases


def test_sound_nights_give_no_false_alarm() -> None:
    dice = random.Random(22)
    alarms = judged = 0
    for name in sorted(WATERS):
        seen = CellWatch()
        for _ in range(60):
            seen = _night(dice, seen, name)
            judged += bool(seen.nights)
            alarms += Check.NIGHT in found(seen)
    assert judged > 300
    assert alarms == 0


def test_a_thermometer_that_has_left_the_water_is_found_and_a_usual_difference_is_none() -> None:
    dice, hits, alarms, cases = random.Random(31), 0, 0, 300
    for _ in range(cases):
        usual_k, seen = dice.gauss(0.0, 0.5), CellWatch()
        for _ in range(FILLS_A_YEAR):
            feed_c = dice.uniform(5.0, 25.0)
            seen = watch.temperatures_seen(seen, feed_c + usual_k + dice.gauss(0.0, 0.4), feed_c, 600.0)
            alarms += Check.THERMOMETERS in found(seen)
        off_k = dice.choice((-1.0, 1.0)) * dice.uniform(3.5, 10.0)
        for _ in range(watch.FILLS_RUNNING):
            seen = watch.temperatures_seen(seen, 15.0 + usual_k + off_k + dice.gauss(0.0, 0.4), 15.0, 600.0)
        hits += Check.THERMOMETERS in found(seen)
    assert hits >= 0.95 * cases
    assert alarms == 0


def test_a_cell_that_reads_a_third_low_is_found_from_samples_within_sixty_days() -> None:
    # Samples every two weeks, product at 25 ppm, meters of three kinds.
    cases = 40
    for meter in METERS:
        hits = 0
        for i in range(cases):
            life = season(
                random.Random(f"41/{meter.ident}/{i}"),
                130,
                meter=meter,
                product_ppm=25.0,
                gain_step=-0.3,
                step_day=70,
                age=Age.YOUNG if i % 2 else Age.LABEL,
            )
            evenings = list(life)
            assert Check.GAIN not in found(evenings[69].watch)
            hits += any(Check.GAIN in found(one.watch) for one in evenings[70:])
        print(f"{meter.ident}: {hits} of {cases}")
        assert hits >= 0.9 * cases, meter.ident


def test_samples_of_a_sound_cell_give_at_most_one_false_alarm_in_ten_years() -> None:
    years = 0
    alarmed = 0
    for meter in METERS:
        for i in range(7):
            evenings = season(random.Random(f"42/{meter.ident}/{i}"), 730, meter=meter)
            years += 2
            alarmed += any(Check.GAIN in found(one.watch) for one in evenings)
    print(f"{alarmed} false alarms in {years} years")
    assert alarmed <= years / 10


def test_a_doubt_says_what_was_seen_and_what_to_do_and_only_ever_widens() -> None:
    seen = CellWatch(transients=(0.8,) * 5, flat_fills=3, sum_high=5.0)
    assert found(seen) == {Check.RINSE, Check.GAIN}
    for doubt in doubts(seen):
        assert doubt.seen
        assert "test" in doubt.to_do
    assert watch.constant_percent(seen, 1.0) == watch.DOUBTFUL_PERCENT
    assert watch.constant_percent(seen, 20.0) == 20.0
    assert watch.constant_percent(CellWatch(), 1.0) == 1.0
    assert not found(watch.calibrated(seen))
    assert watch.calibrated(seen).transients == seen.transients


def test_the_watch_survives_a_restart_and_refuses_a_damaged_record() -> None:
    seen = CellWatch((0.5, 0.6), 1, nights=((0.01, 0.001),), differences_k=(0.1,), sum_high=1.5)
    assert watch.from_json(json.loads(json.dumps(watch.to_json(seen)))) == seen
    with pytest.raises(InputError, match="damaged"):
        watch.from_json({"transients": "x"})
