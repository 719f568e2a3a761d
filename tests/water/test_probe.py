"""Probe diagnosis in the classes of NAMUR NE 107."""

import math
import random
from collections.abc import Iterable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.errors import OutOfRangeError
from bridge.water.conductivity import pure_water_us_cm
from bridge.water.health import Finding, Health, ProbeFault, exchanged
from bridge.water.health import noisy as noisy_finding
from bridge.water.probe import Circuit, ProbeSettings, ProbeState, observe, worst

SETTINGS = ProbeSettings()


def once(conductivity: float | None, t: float | None, **more: object) -> set[ProbeFault]:
    return {f.fault for f in observe(SETTINGS, ProbeState(), conductivity, t, 0.0, **more)[1]}  # type: ignore[arg-type]


def run(
    readings: Iterable[tuple[float | None, float | None]],
    settings: ProbeSettings = SETTINGS,
    step_s: float = 1.0,
    **more: object,
) -> list[set[ProbeFault]]:
    state, seen = ProbeState(), []
    for i, (conductivity, t) in enumerate(readings):
        state, findings = observe(settings, state, conductivity, t, i * step_s, **more)  # type: ignore[arg-type]
        seen.append({finding.fault for finding in findings})
    return seen


def test_a_sound_reading_has_no_findings() -> None:
    assert observe(SETTINGS, ProbeState(), 14.0, 18.0, 0.0)[1] == ()
    assert worst(()) is Health.GOOD


@pytest.mark.parametrize("t", [0.0, 5.0, 15.0, 25.0, 40.0])
def test_a_dry_cell_is_not_taken_for_pure_water(t: float) -> None:
    state, findings = observe(SETTINGS, ProbeState(), 0.0, t, 0.0)
    assert [f.fault for f in findings] == [ProbeFault.BELOW_FLOOR]
    assert worst(findings) is Health.FAILURE
    assert "dry" in findings[0].sentence
    assert state.seen_at_s == 0.0


@pytest.mark.parametrize("t", [0.0, 5.0, 15.0, 25.0, 40.0])
def test_pure_water_is_accepted(t: float) -> None:
    assert once(pure_water_us_cm(t), t) == set()
    assert once(0.5 * pure_water_us_cm(t), t) == {ProbeFault.BELOW_FLOOR}
    exact = ProbeSettings(floor_tolerance=0.0)
    for share, faults in ((1.0, []), (0.9999, [ProbeFault.BELOW_FLOOR])):
        _, findings = observe(exact, ProbeState(), share * pure_water_us_cm(t), t, 0.0)
        assert [f.fault for f in findings] == faults


def test_the_floor_follows_the_temperature() -> None:
    # 0.03 µS/cm: possible at 10 °C, impossible at 25 °C, where pure water has 0.055 (Light et al. 2005).
    assert once(0.03, 10.0) == set()
    assert once(0.03, 25.0) == {ProbeFault.BELOW_FLOOR}


def test_a_coarse_reading_may_be_half_a_step_below_the_floor_but_not_zero() -> None:
    coarse = ProbeSettings(resolution_us_cm=0.1)
    assert observe(coarse, ProbeState(), 0.01, 25.0, 0.0)[1] == ()
    # Pure water of 25 °C has 0.055 µS/cm, less a fifth: 0.044. Half a step reaches it from 0.035.
    fine = ProbeSettings(resolution_us_cm=0.02)
    assert observe(fine, ProbeState(), 0.035, 25.0, 0.0)[1] == ()
    assert [f.fault for f in observe(fine, ProbeState(), 0.033, 25.0, 0.0)[1]] == [ProbeFault.BELOW_FLOOR]
    assert [f.fault for f in observe(coarse, ProbeState(), 0.0, 25.0, 0.0)[1]] == [ProbeFault.BELOW_FLOOR]


def test_a_dry_cell_is_found_without_a_temperature() -> None:
    assert once(0.0, None) == {ProbeFault.BELOW_FLOOR, ProbeFault.NOT_MEASURED}
    assert ProbeFault.BELOW_FLOOR in once(0.0, -127.0)


@pytest.mark.parametrize("conductivity", [None, math.nan, math.inf])
@pytest.mark.parametrize("t", [18.0, None, math.nan])
def test_a_missing_value_is_a_failure(conductivity: float | None, t: float | None) -> None:
    _, findings = observe(SETTINGS, ProbeState(), conductivity, t, 0.0)
    assert {f.fault for f in findings} == {ProbeFault.NOT_MEASURED}
    assert worst(findings) is Health.FAILURE


def test_over_range_is_a_failure_because_the_value_is_not_measured() -> None:
    _, findings = observe(SETTINGS, ProbeState(), 5000.0, 18.0, 0.0)
    assert [f.fault for f in findings] == [ProbeFault.OVER_RANGE]
    assert worst(findings) is Health.FAILURE


@pytest.mark.parametrize("code", [-127.0, 85.0])
def test_a_fault_code_of_a_sensor_is_not_a_temperature(code: float) -> None:
    # Values of digital sensors when disconnected and at power-on: common practice, no source.
    assert once(14.0, code) == {ProbeFault.TEMPERATURE_FAULT_CODE}


@pytest.mark.parametrize("circuit", [Circuit.OPEN, Circuit.SHORT])
def test_a_broken_circuit_of_the_temperature_sensor_is_reported(circuit: Circuit) -> None:
    _, findings = observe(SETTINGS, ProbeState(), 14.0, 18.0, 0.0, temperature_circuit=circuit)
    assert [f.fault for f in findings] == [ProbeFault.TEMPERATURE_FAULT_CODE]
    assert circuit.name.lower() in findings[0].sentence


@pytest.mark.parametrize("t", [-2.1, 60.1, -40.0, 120.0])
def test_an_impossible_water_temperature_is_a_failure(t: float) -> None:
    assert once(14.0, t) == {ProbeFault.TEMPERATURE_IMPLAUSIBLE}


def test_constant_values_during_flow_are_frozen() -> None:
    seen = run([(14.03, 18.25)] * 1000)
    assert seen[899] == set()
    assert seen[900] == {ProbeFault.FROZEN}


def test_pure_water_with_a_coarse_step_may_repeat_while_its_temperature_moves() -> None:
    assert run([(0.1, 18.0 + 0.0625 * (i // 300 % 2)) for i in range(4000)])[-1] == set()


def test_a_conductance_that_stays_the_same_over_three_kelvin_is_frozen() -> None:
    warming = [(14.03, 10.0 + 0.0625 * (i // 20)) for i in range(1000)]
    seen = run(warming)
    # The temperature has changed by 3 K after 960 readings, later than the 900 s of flow.
    assert seen[959] == set()
    assert seen[960] == seen[999] == {ProbeFault.FROZEN}
    assert run([*warming, (14.04, 13.1)])[-1] == set()


def test_values_of_standing_water_may_stay_the_same() -> None:
    assert run([(14.03, 18.25)] * 4000, flowing=False)[-1] == set()


def test_a_probe_that_is_frozen_in_both_ways_has_one_finding() -> None:
    state = ProbeState()
    for second in range(1000):
        # The water warms while it stands, and flows at one temperature afterwards.
        state, findings = observe(
            SETTINGS, state, 14.0, 10.0 + min(second, 5), float(second), flowing=second >= 10
        )
    assert [finding.fault for finding in findings] == [ProbeFault.FROZEN]


def test_one_new_value_ends_the_freeze() -> None:
    seen = run([(14.03, 18.25)] * 1000 + [(14.04, 18.25)] + [(14.03, 18.25)])
    assert seen[999] == {ProbeFault.FROZEN}
    assert seen[1000] == seen[1001] == set()


def test_an_outage_is_no_freeze() -> None:
    state, _ = observe(SETTINGS, ProbeState(), 14.0, 18.0, 0.0)
    state, findings = observe(SETTINGS, state, 14.0, 18.0, 100_000.0)
    assert findings == ()
    assert state.still.same_for_s == SETTINGS.longest_gap_s


def test_a_clock_that_steps_back_counts_as_no_time() -> None:
    state, _ = observe(SETTINGS, ProbeState(), 14.0, 18.0, 1000.0)
    state, findings = observe(SETTINGS, state, 14.0, 18.0, 10.0)
    assert findings == ()
    assert state.still.same_for_s == 0.0


def test_readings_that_jump_are_noisy_until_they_are_steady() -> None:
    dice = random.Random(1)
    wild = [(14.0 * dice.uniform(0.5, 1.5), 18.0 + 0.01 * i) for i in range(60)]
    calm = [(14.0 * dice.uniform(0.999, 1.001), 19.0 + 0.01 * i) for i in range(60)]
    seen = run(wild + calm)
    assert seen[5] == set(), "three readings are no ground for a judgement"
    assert seen[59] == {ProbeFault.NOISY}
    assert seen[-1] == set()


def test_neither_a_spike_nor_a_step_nor_a_breakthrough_is_noise() -> None:
    spike = [(14.0 + 0.01 * (i % 3), 18.0) for i in range(50)]
    spike[25] = (400.0, 18.0)
    step = [(14.0 if i < 25 else 60.0, 18.0 + 0.01 * i) for i in range(50)]
    rising = [(5.0 * 1.05**i, 18.0 + 0.01 * i) for i in range(80)]
    for readings in (spike, step, rising):
        assert set().union(*run(readings)) == set()


@pytest.mark.parametrize(("every", "noisy"), [(6, False), (3, True)])
def test_readings_are_noisy_if_more_than_half_of_them_jump(every: int, noisy: bool) -> None:
    # A step up or down is a jump in two readings: from the old line, and from the line through the step.
    steps = [(10.0 if i // every % 2 else 20.0, 18.0 + 0.01 * i) for i in range(200)]
    seen = run(steps)
    assert (ProbeFault.NOISY in seen[-1]) is noisy
    assert (ProbeFault.NOISY in set().union(*seen)) is noisy


def test_a_jump_under_a_twentieth_of_a_microsiemens_is_no_noise_in_the_purest_water() -> None:
    for size_us_cm, noisy in ((0.02, False), (0.05, True)):
        steps = [(0.1 + size_us_cm * (i % 2), 18.0 + 0.01 * i) for i in range(100)]
        assert (run(steps)[-1] == {ProbeFault.NOISY}) is noisy


def test_a_new_temperature_ends_the_time_in_which_both_stood_still() -> None:
    state, _ = observe(SETTINGS, ProbeState(), 14.0, 18.0, 0.0)
    state, _ = observe(SETTINGS, state, 14.0, 18.0, 5.0)
    state, _ = observe(SETTINGS, state, 14.0, 18.1, 9.0)
    assert (state.still.same_for_s, state.still.for_s) == (0.0, 9.0)
    assert state.still.moved_k == pytest.approx(0.1)


def test_water_just_over_or_under_the_range_of_pure_water_still_has_a_floor() -> None:
    for t in (-2.0, -0.5, 50.5, 60.0):
        assert once(14.0, t) == set()
        assert once(0.0, t) == {ProbeFault.BELOW_FLOOR}
    assert once(0.1, 60.0) == {ProbeFault.BELOW_FLOOR}, "pure water of 50 °C has 0.17 µS/cm"


@pytest.mark.parametrize(
    ("to_us_cm", "settings"),
    [
        (2.0, ProbeSettings(noise_fraction=0.5)),
        (1.0625, ProbeSettings(noise_us_cm=0.0625, noise_fraction=0.03)),
    ],
    ids=["fraction", "microsiemens"],
)
def test_a_jump_of_exactly_its_bound_is_none(to_us_cm: float, settings: ProbeSettings) -> None:
    for last_us_cm, jumps in ((to_us_cm, 0), (to_us_cm + 0.001, 1)):
        state = ProbeState()
        for second, us_cm in enumerate((1.0, 1.0, last_us_cm)):
            state, _ = observe(settings, state, us_cm, 18.0, float(second))
        assert state.jump_share == jumps / settings.noise_readings


def test_half_of_the_readings_are_not_more_than_half() -> None:
    seen = run([(10.0, 18.0), (10.0, 18.0), (20.0, 18.0), (30.0, 18.0)], ProbeSettings(noise_readings=2.0))
    assert set().union(*seen) == set()


def test_ordinary_noise_of_a_sound_probe_is_no_fault() -> None:
    dice = random.Random(2)
    assert set().union(*run((14.0 * dice.gauss(1.0, 0.01), 18.0 + 0.01 * i) for i in range(500))) == set()


def test_swapped_cells_are_found_after_some_time() -> None:
    seen = run([(400.0 + i % 7, 15.0 + 0.01 * i) for i in range(130)], feed_us_cm=12.0)
    assert seen[100] == set()
    assert seen[125] == {ProbeFault.FEED_AND_PRODUCT_SWAPPED}


def test_swapped_cells_are_found_when_they_have_been_so_for_the_whole_time_and_not_before() -> None:
    ordinary = [(5.0, 15.0)]
    swapped = [(400.0 + i % 7, 15.0 + 0.01 * i) for i in range(130)]
    seen = run(ordinary + swapped, feed_us_cm=12.0)
    # Each reading adds the second before it, the first one too.
    assert seen[119] == set()
    assert seen[120] == {ProbeFault.FEED_AND_PRODUCT_SWAPPED}
    quick = ProbeSettings(swapped_after_s=0.5)
    assert run(ordinary + swapped, quick, feed_us_cm=12.0)[1] == {ProbeFault.FEED_AND_PRODUCT_SWAPPED}


def test_a_conductance_that_stays_while_the_water_warms_quickly_is_frozen_after_the_same_time() -> None:
    seen = run([(14.03, 10.0 + 0.01 * min(i, 400)) for i in range(950)])
    assert seen[899] == set()
    assert seen[900] == {ProbeFault.FROZEN}


@pytest.mark.parametrize(("step_us_cm", "frozen"), [(0.11, True), (0.12, False), (0.13, False)])
def test_a_change_within_two_steps_shows_nothing(step_us_cm: float, frozen: bool) -> None:
    # Three kelvin change 4 µS/cm by at least 0.24 µS/cm.
    readings = [(4.0, 10.0 + 0.01 * min(max(i - 5, 0), 300)) for i in range(950)]
    assert (ProbeFault.FROZEN in run(readings, step_us_cm=step_us_cm)[-1]) is frozen


def test_exchanged_plugs_are_described_with_what_each_cell_shows() -> None:
    assert "the feed is at 7.1 µS/cm" in exchanged(412.0, 7.1).sentence
    assert "now at 412 µS/cm, and the feed cell fails" in exchanged(412.0, None).sentence
    assert exchanged(412.0, None).fault is ProbeFault.FEED_AND_PRODUCT_SWAPPED


@pytest.mark.parametrize(
    ("feed_us_cm", "product_us_cm", "swapped_for_s"),
    [(10.0, 15.0, 0.0), (10.0, 15.1, 1.0), (0.5, 2.0, 1.0), (0.0, 2.0, 0.0)],
)
def test_cells_are_swapped_beyond_half_more_than_any_feed(
    feed_us_cm: float, product_us_cm: float, swapped_for_s: float
) -> None:
    state, _ = observe(SETTINGS, ProbeState(), 5.0, 18.0, 0.0, feed_us_cm=100.0)
    state, _ = observe(SETTINGS, state, product_us_cm, 18.0, 1.0, feed_us_cm=feed_us_cm)
    assert state.swapped_for_s == swapped_for_s


def test_an_exhausted_purifier_does_not_look_like_swapped_cells() -> None:
    assert (
        set().union(*run([(420.0 + i % 7, 15.0 + 0.01 * i) for i in range(300)], feed_us_cm=400.0)) == set()
    )


def test_a_first_flush_above_the_feed_does_not_look_like_swapped_cells() -> None:
    flush = [(700.0 * math.exp(-i / 30.0) + 10.0, 15.0 + 0.01 * i) for i in range(300)]
    assert ProbeFault.FEED_AND_PRODUCT_SWAPPED not in set().union(*run(flush, feed_us_cm=400.0))


def test_every_fault_has_its_class_and_the_worst_comes_first() -> None:
    for fault in ProbeFault:
        assert fault.health > Health.GOOD
    _, findings = observe(SETTINGS, ProbeState(), 9000.0, -127.0, 0.0)
    assert [f.fault for f in findings] == [ProbeFault.TEMPERATURE_FAULT_CODE, ProbeFault.OVER_RANGE]
    assert worst(findings) is Health.FAILURE
    state = ProbeState(last_us_cm=10.0, before_us_cm=20.0, jump_share=0.9, noisy=True)
    _, both = observe(SETTINGS, state, 0.0, 18.0, 1.0)
    assert [f.fault for f in both] == [ProbeFault.BELOW_FLOOR, ProbeFault.NOISY]
    classes = {finding.health for finding in (*findings, noisy_finding(0.1))}
    assert len(classes) == 2
    assert worst([noisy_finding(0.1), *findings]) is worst([*findings, noisy_finding(0.1)]) is Health.FAILURE


maybe = st.one_of(st.none(), st.floats(allow_nan=True, allow_infinity=True))


@given(
    st.lists(
        st.tuples(maybe, maybe, st.floats(-1e9, 1e9), maybe, st.booleans(), st.sampled_from(Circuit)),
        max_size=30,
    )
)
def test_the_diagnosis_works_for_any_sequence_of_readings(
    sequence: list[tuple[float | None, float | None, float, float | None, bool, Circuit]],
) -> None:
    state = ProbeState()
    for conductivity, t, now, feed, flowing, circuit in sequence:
        state, findings = observe(
            SETTINGS,
            state,
            conductivity,
            t,
            now,
            feed_us_cm=feed,
            flowing=flowing,
            temperature_circuit=circuit,
        )
        assert len({f.sentence for f in findings}) == len(findings), "one thing is found twice"
        assert all(isinstance(f, Finding) and f.health is f.fault.health and f.sentence for f in findings)
        assert 0.0 <= state.jump_share <= 1.0
        assert state.still.same_for_s >= 0.0
        assert state.swapped_for_s >= 0.0
        trusted = conductivity is not None and math.isfinite(conductivity) and conductivity > 0.0
        assert trusted or worst(findings) is Health.FAILURE


@pytest.mark.parametrize(
    "wrong",
    [
        {"over_range_us_cm": 0.0},
        {"floor_tolerance": 1.0},
        {"frozen_after_s": 0.0},
        {"noise_readings": 0.0},
        {"swapped_ratio": 0.5},
        {"lowest_c": 70.0},
        {"noise_fraction": math.nan},
        {"noise_fraction": 0.0},
        {"noise_us_cm": -0.01},
        {"noise_readings": 1.9},
        {"noise_readings": 10000.1},
        {"over_range_us_cm": math.inf},
        {"floor_tolerance": -0.1},
        {"resolution_us_cm": -0.1},
        {"resolution_us_cm": math.inf},
        {"lowest_c": -math.inf},
        {"lowest_c": 60.0},
        {"highest_c": math.inf},
        {"moved_k": 0.0},
        {"swapped_ratio": math.inf},
        {"swapped_after_s": -1.0},
        {"longest_gap_s": 0.0},
    ],
)
def test_settings_that_disable_a_check_are_refused(wrong: dict[str, float]) -> None:
    with pytest.raises(OutOfRangeError, match="disable a check"):
        ProbeSettings(**wrong)  # type: ignore[arg-type]


def test_settings_may_be_at_the_ends_of_their_ranges() -> None:
    small = ProbeSettings(
        over_range_us_cm=0.5,
        floor_tolerance=0.0,
        frozen_after_s=0.5,
        moved_k=0.5,
        noise_fraction=0.5,
        noise_us_cm=0.0,
        noise_readings=2.0,
        swapped_ratio=1.0,
        swapped_after_s=0.0,
        longest_gap_s=0.5,
    )
    assert ProbeSettings(noise_readings=10_000.0).noise_readings == 10_000.0
    # Without a time for it, exchanged cells are not looked for here.
    assert ProbeFault.FEED_AND_PRODUCT_SWAPPED not in set().union(
        *run([(0.3 + 0.01 * (i % 2), 18.0 + i % 2) for i in range(100)], small, feed_us_cm=0.1)
    )


@pytest.mark.parametrize(
    ("step_us_cm", "frozen"),
    [(0.0, True), (0.01, True), (0.02, True), (0.5, False)],
    ids=["unstated", "fine", "just fine", "coarse"],
)
def test_a_steady_cell_with_a_coarse_step_does_not_look_frozen(step_us_cm: float, frozen: bool) -> None:
    state, found = ProbeState(), set()
    for second in range(2000):
        state, findings = observe(SETTINGS, state, 4.0, 15.0, float(second), step_us_cm=step_us_cm)
        found |= {finding.fault for finding in findings}
    assert (ProbeFault.FROZEN in found) is frozen


def test_a_coarse_cell_is_frozen_if_the_temperature_should_have_moved_it_by_several_steps() -> None:
    state, found = ProbeState(), set()
    for second in range(2000):
        celsius = 15.0 + 10.0 * second / 2000.0
        state, findings = observe(SETTINGS, state, 4.0, celsius, float(second), step_us_cm=0.1)
        found |= {finding.fault for finding in findings}
    assert ProbeFault.FROZEN in found
