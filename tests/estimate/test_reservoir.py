"""The estimate of the reservoir against barrels as they truly are, and its single steps."""

import dataclasses
import json
import math
import random
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bridge.errors import InputError, OutOfRangeError
from bridge.estimate import reservoir, saved
from bridge.estimate.reservoir import Basis, HandSample, Reservoir
from bridge.estimate.verdict import Verdict
from bridge.water.meter import HandMeter
from tests.estimate.barrels import season
from tests.estimate.worlds import METERS

GOOD = HandSample(3.0, 0.5, 0.3, "good")
BAD = HandSample(80.0, 1.0, 0.3, "good")


def barrel(assumed_ppm: float = 6.0, cell_percent: float = 5.0) -> Reservoir:
    return reservoir.begin(assumed_ppm, 100.0, volume_sd_l=2.0, cell_percent=cell_percent)


@pytest.mark.parametrize("meter", [None, *METERS], ids=lambda meter: "none" if meter is None else meter.ident)
def test_the_interval_of_the_reservoir_covers_the_truth_for_a_season(meter: HandMeter | None) -> None:
    # Seeds 1/... adjusted the model, 2/... judge it.
    covered = days = wrongly = accepted = 0
    for i in range(60):
        name = "none" if meter is None else meter.ident
        for one in season(random.Random(f"2/{name}/{i}"), 150, meter=meter):
            if one.day % 7 == 3:
                days += 1
                covered += abs(one.truth_ppm - one.estimate.ppm) <= one.estimate.expanded_ppm
                if one.verdict in (Verdict.SUITABLE, Verdict.MARGINAL):
                    accepted += 1
                    wrongly += one.truth_ppm >= 50.0
    print(f"{name}: {100 * covered / days:.1f} % of {days} covered, {wrongly} of {accepted} wrongly accepted")
    assert 0.93 <= covered / days <= 0.99
    assert wrongly <= 0.025 * accepted


def test_a_first_value_is_assumed_until_water_that_was_measured_replaces_it() -> None:
    held = barrel()
    assert held.basis is Basis.ASSUMED
    assert held.expanded_ppm >= 30.0
    assert reservoir.judged(barrel(25.0), 50.0, 25.0).verdict is Verdict.UNKNOWN
    for _ in range(4):
        held = reservoir.drawn(held, 60.0)
        held = reservoir.filled(held, 60.0, 5.0, own_percent=2.0)
    assert held.basis is Basis.BALANCE
    assert reservoir.judged(held, 50.0, 25.0).verdict is Verdict.SUITABLE


def test_a_good_sample_says_yes_at_once_and_a_bad_one_no() -> None:
    good = reservoir.sampled(barrel(40.0), GOOD, 1000.0)
    assert good.basis is Basis.SAMPLE
    assert good.sampled_s == 1000.0
    assert reservoir.judged(good, 50.0, 25.0).verdict is Verdict.SUITABLE
    assert good.ppm == pytest.approx(3.0, abs=0.5)
    bad = reservoir.sampled(good, BAD, 2000.0)
    assert reservoir.judged(bad, 50.0, 25.0).verdict is Verdict.UNSUITABLE
    assert bad.ppm == pytest.approx(80.0, rel=0.02)


def test_water_of_the_sample_is_balance_again_when_half_of_it_has_gone() -> None:
    held = reservoir.sampled(barrel(), GOOD, 0.0)
    held = reservoir.filled(held, 90.0, 5.0, own_percent=2.0)
    assert held.basis is Basis.SAMPLE
    assert reservoir.filled(held, 30.0, 5.0, own_percent=2.0).basis is Basis.BALANCE


def test_a_sample_corrects_the_cell_through_their_covariance() -> None:
    # A cell that reads 12 % low fills a barrel three times over; the truth is 28 ppm where it reads 25.
    held = reservoir.drawn(barrel(), 95.0)
    held = reservoir.filled(held, 195.0, 25.0, own_percent=0.5)
    percent, sd_percent = held.cell_gain_percent
    assert percent == 0.0
    assert sd_percent == pytest.approx(5.0)
    after = reservoir.sampled(held, HandSample(28.0, 0.2, 0.1, "fine"), 0.0)
    percent, sd_percent = after.cell_gain_percent
    assert 6.0 < percent < 14.0
    assert sd_percent < 3.0
    # The next fill is counted with the corrected cell.
    more = reservoir.filled(reservoir.drawn(after, 190.0), 190.0, 25.0, own_percent=0.5)
    assert more.ppm == pytest.approx(25.0 * (1.0 + 0.01 * percent), rel=0.02)
    assert reservoir.recalibrated(after, 1.0).cell_gain_percent == pytest.approx((0.0, 1.0))


def test_a_bucket_that_nobody_counted_does_not_blame_the_cell() -> None:
    held = reservoir.filled(reservoir.drawn(barrel(), 95.0), 150.0, 20.0, own_percent=0.5)
    found = reservoir.contradiction(held, BAD)
    assert found.z > reservoir.CONTRADICTION
    assert reservoir.sampled(held, BAD, 0.0).cell_gain_percent == held.cell_gain_percent


def test_many_samples_with_one_meter_are_no_better_than_the_meter() -> None:
    held = barrel(20.0)
    coarse = HandSample(20.0, 6.0, 0.3, "coarse")
    for hour in range(50):
        held = reservoir.sampled(held, coarse, 3600.0 * hour)
    assert held.expanded_ppm > 2.0 * 5.0


def test_the_same_number_of_the_same_water_is_no_more_evidence_and_another_number_is() -> None:
    # One step of the display is far more than the scatter of samples of such pure water.
    def after(*numbers: float) -> Reservoir:
        held = barrel(5.0)
        for number in numbers:
            held = reservoir.sampled(held, HandSample(number, 0.01, 0.6, "display"), 0.0)
        return held

    once = after(1.0)
    assert after(*[1.0] * 10) == once
    # After some water that nobody knows, the same number is evidence.
    mixed = reservoir.poured(once, 20.0, 5.0, 15.0, 1.0)
    again = reservoir.sampled(mixed, HandSample(1.0, 0.01, 0.6, "display"), 0.0)
    assert again.expanded_ppm < 0.5 * mixed.expanded_ppm
    assert after(*[1.0, 2.0] * 5).expanded_ppm < 0.5 * once.expanded_ppm


def test_a_sample_after_nearly_pure_product_changes_salty_product_by_its_own_uncertainty_only() -> None:
    # Pure product is known to a half, and this one has a half more than its cell shows.
    held = reservoir.filled(reservoir.drawn(barrel(), 95.0), 195.0, 0.4, own_percent=50.0)
    held = reservoir.sampled(held, HandSample(1.0, 0.01, 0.02, "fine"), 0.0)
    assert held.season_error > 0.3
    salty = reservoir.true_of(held, 40.0, 2.0) / 40.0 - 1.0
    assert abs(salty) < 3.0 * math.hypot(0.02, 0.05)


def test_product_that_no_probe_measured_says_nothing_of_other_product() -> None:
    held = reservoir.filled(reservoir.drawn(barrel(), 50.0), 50.0, 0.0, own_percent=2.0, unmeasured_ppm=100.0)
    assert held.ppm == pytest.approx(53.0, rel=0.01)
    assert held.expanded_ppm > 0.9 * 100.0
    after = reservoir.sampled(held, HandSample(5.0, 0.1, 0.1, "fine"), 0.0)
    assert after.ppm == pytest.approx(5.0, abs=0.3)
    assert abs(after.season_error) < 0.1
    assert after.cell_gain_percent == held.cell_gain_percent


def test_a_meter_that_is_good_to_a_share_of_its_reading_is_as_good_at_3_ppm_as_at_300() -> None:
    held = reservoir.sampled(barrel(20.0), HandSample(330.0, 3.8, 0.1, "share"), 0.0)
    assert held.expanded_ppm == pytest.approx(2.0 * math.hypot(3.8, 0.02 * 330.0), rel=0.05)
    after = reservoir.sampled(held, HandSample(3.5, 0.04, 0.05, "share"), 1.0)
    assert after.ppm == pytest.approx(3.5, abs=0.1)
    assert after.expanded_ppm < 0.3


def test_a_zero_after_unfit_water_that_was_poured_away_is_a_value_near_zero() -> None:
    held = reservoir.sampled(barrel(20.0), HandSample(330.0, 3.8, 0.1, "share"), 0.0)
    after = reservoir.sampled(held, HandSample(0.01, 0.001, 0.02, "share", below_resolution=True), 1.0)
    assert after.ppm < 0.1
    assert after.expanded_ppm < 0.3


def test_an_estimate_of_an_earlier_version_forgets_its_meter_and_keeps_its_water() -> None:
    held = reservoir.sampled(barrel(20.0), HandSample(20.0, 6.0, 0.3, "coarse"), 0.0)
    values = saved.to_json(held)
    del values["meter_in"]
    values["state"][4] = -4.0
    old = saved.from_json(values)
    assert (old.ppm, old.meter_error) == (held.ppm, 0.0)
    del values["season_in"], values["last"]
    values["state"] = [*values["state"][:3], 0.4, *values["state"][4:]]
    older = saved.from_json(values)
    assert (older.ppm, older.season_error, older.covariance[3][3]) == (held.ppm, 0.0, 1.0)
    again = reservoir.sampled(old, HandSample(20.0, 6.0, 0.3, "coarse"), 0.0)
    assert again.expanded_ppm <= held.expanded_ppm


def test_a_meter_that_shows_zero_is_an_upper_bound() -> None:
    zero = HandSample(0.25, 11.5, 0.3, "pocket", below_resolution=True)
    low, high = barrel(0.0), barrel(40.0)
    assert reservoir.sampled(high, zero, 0.0).ppm < high.ppm - 5.0
    balanced = reservoir.sampled(low, GOOD, 0.0)
    again = reservoir.sampled(balanced, zero, 1.0)
    assert again.ppm == pytest.approx(balanced.ppm, abs=0.5)
    # The exact moments of a normal distribution that is cut off at the bound and at zero, by sampling.
    dice = random.Random(5)
    kept = [
        c
        for c, m in ((dice.gauss(40.0, 20.0), dice.gauss(0.0, 11.5)) for _ in range(200_000))
        if c >= 0.0 and c + m + dice.gauss(0.0, 0.3) <= 0.5
    ]
    found = reservoir.sampled(high, zero, 0.0)
    assert found.ppm == pytest.approx(sum(kept) / len(kept), abs=0.6)


def test_a_poor_meter_that_shows_nearly_pure_water_leaves_an_interval_above_zero() -> None:
    # 11.5 ppm is what 2 % of 999 ppm leaves. The exact moments of what is not below zero, by sampling.
    found = reservoir.sampled(barrel(6.0), HandSample(2.0, 11.5, 0.0, "pocket"), 0.0)
    dice = random.Random(6)
    weight = 11.5**2 / (15.0**2 + 11.5**2)
    mixed, mixed_sd = weight * 6.0 + (1.0 - weight) * 2.0, math.sqrt(weight) * 15.0
    kept = [c for c in (dice.gauss(mixed, mixed_sd) for _ in range(200_000)) if c >= 0.0]
    mean = sum(kept) / len(kept)
    sd = math.sqrt(sum((c - mean) ** 2 for c in kept) / len(kept))
    assert found.ppm == pytest.approx(mean, rel=0.05)
    assert found.expanded_ppm == pytest.approx(2.0 * sd, rel=0.05)


def test_dust_adds_up_and_a_good_meter_shows_how_much_of_it_falls_in() -> None:
    start = HandSample(2.0, 0.1, 0.05, "fine")
    held = reservoir.sampled(barrel(2.0), start, 0.0, in_full=True)
    for _ in range(60):
        held = reservoir.aged(held, 1.0, drift_percent_per_year=5.0)
    assert held.ppm == pytest.approx(2.0 + 60 * reservoir.DUST_PPM_PER_DAY, abs=0.2)
    assert held.expanded_ppm > 2.0 * 60 * reservoir.DUST_SD
    dusty = reservoir.sampled(held, replace(start, ppm=6.0), 60 * 86_400.0)
    assert dusty.dust_ppm_day > 1.5 * reservoir.DUST_PPM_PER_DAY
    clean = reservoir.sampled(held, start, 60 * 86_400.0)
    assert clean.dust_ppm_day < 0.5 * reservoir.DUST_PPM_PER_DAY


def test_an_estimate_that_an_earlier_version_saved_begins_with_the_usual_dust() -> None:
    held = reservoir.filled(barrel(), 50.0, 5.0, own_percent=2.0)
    values = saved.to_json(held)
    values["state"] = values["state"][:5]
    values["covariance"] = [row[:5] for row in values["covariance"][:5]]
    assert saved.from_json(values) == held


def test_the_next_reading_of_a_level_sensor_makes_no_mixture_better_known() -> None:
    held = reservoir.filled(barrel(40.0), 50.0, 1.0, own_percent=2.0, litres_sd=3.0)
    seen = reservoir.volume_seen(held, held.volume_l + 5.0, 2.0)
    assert seen.volume_expanded_l == pytest.approx(4.0)
    assert (seen.ppm, seen.expanded_ppm) == (held.ppm, held.expanded_ppm)


def test_evaporation_leaves_the_solids_and_rain_dilutes() -> None:
    held = reservoir.sampled(barrel(), HandSample(20.0, 0.2, 0.1, "fine"), 0.0)
    dried = reservoir.evaporated(held, 0.2 * held.volume_l)
    assert dried.ppm == pytest.approx(held.ppm / 0.8)
    assert dried.expanded_ppm > held.expanded_ppm
    rained = reservoir.rained(held, held.volume_l, ppm=10.0, ppm_sd=0.0)
    assert rained.ppm == pytest.approx(0.5 * (held.ppm + 10.0))
    poured = reservoir.poured(held, held.volume_l, 200.0, 20.0, 1.0)
    assert poured.expanded_ppm > 15.0


def test_the_first_order_steps_agree_with_monte_carlo() -> None:
    held = barrel(20.0, cell_percent=5.0)
    held = dataclasses.replace(held, volume_l=100.0)
    after = reservoir.evaporated(reservoir.filled(held, 60.0, 30.0, own_percent=3.0, litres_sd=2.0), 8.0, 2.0)
    dice, seen = random.Random(9), []
    for _ in range(40_000):
        c, v = dice.gauss(20.0, 15.0), dice.gauss(100.0, 2.0)
        q = 30.0 * (1.0 + dice.gauss(0.0, 0.05) + dice.gauss(0.0, 0.03))
        more, lost = dice.gauss(60.0, 2.0), dice.gauss(8.0, 2.0)
        seen.append((c * v + q * more) / (v + more - lost))
    mean = sum(seen) / len(seen)
    sd = math.sqrt(sum((x - mean) ** 2 for x in seen) / len(seen))
    assert after.ppm == pytest.approx(mean, rel=0.01)
    assert after.expanded_ppm == pytest.approx(2.0 * sd, rel=0.02)


def test_parts_of_a_fill_are_as_uncertain_as_the_whole() -> None:
    whole = reservoir.filled(barrel(), 100.0, 30.0, own_percent=3.0)
    parts = barrel()
    for _ in range(100):
        parts = reservoir.filled(parts, 1.0, 30.0, own_percent=3.0)
    assert parts.ppm == pytest.approx(whole.ppm, rel=1e-9)
    assert parts.expanded_ppm == pytest.approx(whole.expanded_ppm, rel=0.01)


def test_a_doubtful_cell_widens_what_follows() -> None:
    sure = reservoir.recalibrated(reservoir.sampled(barrel(), GOOD, 0.0), 1.0)
    doubted = reservoir.doubted(sure, 15.0)
    wide, narrow = (reservoir.filled(one, 100.0, 30.0, own_percent=1.0) for one in (doubted, sure))
    assert wide.expanded_ppm > 3.0 * narrow.expanded_ppm
    assert reservoir.doubted(doubted, 1.0) == doubted


_STEPS = st.lists(
    st.tuples(st.sampled_from("fdersvas"), st.floats(0.0, 120.0), st.floats(0.0, 90.0)), max_size=40
)


@given(_STEPS)
@settings(max_examples=150, deadline=None)
def test_no_history_gives_an_impossible_estimate(steps: list[tuple[str, float, float]]) -> None:
    held = barrel()
    for step, litres, ppm in steps:
        match step:
            case "f":
                held = reservoir.filled(held, litres, ppm, own_percent=3.0, litres_sd=1.0)
            case "d":
                held = reservoir.drawn(held, litres, 1.0)
            case "e":
                held = reservoir.evaporated(held, 0.02 * litres, 0.1)
            case "r":
                held = reservoir.rained(held, litres)
            case "v":
                held = reservoir.volume_seen(held, litres, 2.0)
            case "a":
                held = reservoir.aged(held, litres, drift_percent_per_year=5.0)
            case _:
                held = reservoir.sampled(held, HandSample(ppm, 1.0, 0.3, "a", ppm < 1.0), 0.0)
        assert 0.0 <= held.ppm < math.inf
        assert held.volume_l > 0.0
        assert 0.1 <= held.expanded_ppm < math.inf
        for i, row in enumerate(held.covariance):
            for j, value in enumerate(row):
                bound = math.sqrt(row[i] * held.covariance[j][j])
                assert abs(value) <= bound * (1.0 + 1e-6) + 1e-6
    assert saved.from_json(json.loads(json.dumps(saved.to_json(held)))) == held


def test_a_damaged_record_and_impossible_values_are_refused() -> None:
    values = saved.to_json(barrel())
    damages: tuple[dict[str, object], ...] = (
        {"state": [1.0]},
        {"covariance": [[1.0]]},
        {"sampled_share": "x"},
        {"state": [math.nan] * 5},
    )
    for damage in damages:
        with pytest.raises(InputError, match="delete it"):
            saved.from_json({**values, **damage})
    with pytest.raises(OutOfRangeError, match="inflow"):
        reservoir.filled(barrel(), -1.0, 5.0, own_percent=1.0)
