"""The level of a reservoir from its level sensor and its switches."""

import math
from dataclasses import dataclass, replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.errors import InputError, OutOfRangeError
from bridge.tank.level import Level, LevelWatch, Zone, observe
from bridge.tank.level_sensor import (
    LevelFault,
    LevelSensor,
    LevelSensorTable,
    LevelSettings,
    RawLevelSensor,
)
from bridge.tank.shapes import Box, UprightCylinder

BARREL = UprightCylinder(0.6, 1.0)
# A straight line: fraction 0.1 at the floor, 0.9 at the brim.
TABLE = LevelSensorTable(((0.1, 0.0), (0.9, 1.0)))
LEVEL_SENSOR_ONLY = LevelSettings(BARREL, level_sensor=LevelSensor(TABLE))
SWITCHES_ONLY = LevelSettings(BARREL, low_switch=True, full_switch=True, overflow_switch=True)
BOTH = replace(LEVEL_SENSOR_ONLY, low_switch=True, full_switch=True, overflow_switch=True)


@dataclass
class Tank:
    """Feeds one reading each second."""

    settings: LevelSettings
    watch: LevelWatch = LevelWatch()
    now: float = 1000.0

    def read(
        self,
        depth: float | LevelFault | None = None,
        low: bool | None = None,
        full: bool | None = None,
        overflow: bool | None = None,
        seconds: int = 1,
    ) -> Level:
        raw: RawLevelSensor = 0.1 + 0.8 * depth if isinstance(depth, float) else depth
        for _ in range(seconds):
            self.watch, level = observe(self.settings, self.watch, raw, low, full, overflow, self.now)
            self.now += 1.0
        return level

    def water(self, depth: float, seconds: int = 1) -> Level:
        """Sets every sensor to the same true depth: switches at 0.5 and 0.9 m, overflow at 0.95 m."""
        return self.read(depth, depth >= 0.5, depth >= 0.9, depth >= 0.95, seconds)


# ------------------------------------------------------------------ sound sensors


def test_a_level_sensor_gives_depth_volume_and_zone_from_the_first_reading() -> None:
    level = Tank(LEVEL_SENSOR_ONLY).read(0.7)
    assert level.depth_m == pytest.approx(0.7)
    assert level.volume_l == pytest.approx(BARREL.volume_l(0.7))
    assert level.zone is Zone.MIDDLE
    assert level.overflow is None
    assert level.faults == ()


@pytest.mark.parametrize(
    ("depth", "zone"),
    [
        (0.0, Zone.LOW),
        (0.49, Zone.LOW),
        (0.52, Zone.MIDDLE),
        (0.88, Zone.MIDDLE),
        (0.91, Zone.FULL),
        (1.0, Zone.FULL),
    ],
)
def test_the_marks_divide_the_reservoir_into_three_zones(depth: float, zone: Zone) -> None:
    assert Tank(LEVEL_SENSOR_ONLY).read(depth).zone is zone


def test_switches_alone_give_a_zone_and_no_volume() -> None:
    tank = Tank(SWITCHES_ONLY)
    for low, full, zone in ((False, False, Zone.LOW), (True, False, Zone.MIDDLE), (True, True, Zone.FULL)):
        level = tank.read(None, low, full, False, seconds=15)
        assert level.zone is zone
        assert level.depth_m is None
        assert level.volume_l is None
        assert level.overflow is False
        assert level.faults == ()


def test_the_level_is_unknown_before_the_switches_are_stable() -> None:
    level = Tank(SWITCHES_ONLY).read(None, False, False, False)
    assert level.zone is None
    assert level.overflow is None
    assert level.faults == ()


def test_waves_of_five_centimetres_move_the_shown_depth_by_less_than_two() -> None:
    tank = Tank(LEVEL_SENSOR_ONLY)
    tank.read(0.7, seconds=10)
    shown = []
    for second in range(120):
        level = tank.read(0.7 + 0.05 * math.sin(2.0 * math.pi * second / 3.3))
        assert level.depth_m is not None
        shown.append(level.depth_m)
    assert max(abs(depth - 0.7) for depth in shown[20:]) < 0.02


def test_one_outlier_changes_nothing() -> None:
    tank = Tank(LEVEL_SENSOR_ONLY)
    tank.read(0.6, seconds=10)
    assert tank.read(0.99).depth_m == pytest.approx(0.6)
    assert tank.read(0.6).depth_m == pytest.approx(0.6)


def test_without_a_low_pass_a_step_counts_at_its_second_reading_and_of_two_readings_the_higher_one() -> None:
    plain = replace(LEVEL_SENSOR_ONLY, wave_time_constant_s=0.0)
    for low, high in ((0.3, 0.7), (0.7, 0.3)):
        tank = Tank(plain)
        tank.read(low)
        assert tank.read(high).depth_m == pytest.approx(0.7)
    for before, after in ((0.3, 0.7), (0.7, 0.3)):
        tank = Tank(plain)
        tank.read(before, seconds=10)
        assert tank.read(after).depth_m == pytest.approx(before)
        assert tank.read(after).depth_m == pytest.approx(after)


@pytest.mark.parametrize("time_constant_s", [0.5, 1.0, 10.0])
def test_the_low_pass_has_its_time_constant(time_constant_s: float) -> None:
    tank = Tank(replace(LEVEL_SENSOR_ONLY, wave_time_constant_s=time_constant_s))
    tank.read(0.3, seconds=10)
    # The median lets the step through one second late.
    for seconds in range(4):
        level = tank.read(0.7)
        assert level.depth_m == pytest.approx(0.3 + 0.4 * (1.0 - math.exp(-seconds / time_constant_s)))


def test_a_steady_fill_is_followed_within_seconds() -> None:
    tank = Tank(LEVEL_SENSOR_ONLY)
    depth = 0.3
    for _ in range(300):
        depth += 0.001
        level = tank.read(depth)
    assert level.depth_m == pytest.approx(depth, abs=0.001 * 6)


def test_a_fill_mark_at_the_end_of_the_level_sensor_is_reached() -> None:
    tank = Tank(LevelSettings(BARREL, level_sensor=LevelSensor(TABLE), fill_fraction=1.0))
    tank.read(0.8, seconds=5)
    assert tank.read(1.0, seconds=60).zone is Zone.FULL


# ------------------------------------------------------------------ the overflow float


def test_a_rising_overflow_float_counts_in_the_same_reading() -> None:
    tank = Tank(BOTH)
    tank.water(0.7, seconds=30)
    level = tank.read(0.7, True, False, overflow=True)
    assert level.overflow is True
    assert level.zone is Zone.FULL


def test_a_falling_overflow_float_counts_as_down_after_its_delay() -> None:
    tank = Tank(SWITCHES_ONLY)
    tank.read(None, True, True, True, seconds=5)
    assert tank.read(None, True, True, False, seconds=10).overflow is True
    assert tank.read(None, True, True, False).overflow is False


# ------------------------------------------------------------------ faults


@pytest.mark.parametrize("fault", [LevelFault.LEVEL_SENSOR_OPEN, LevelFault.LEVEL_SENSOR_MISSING])
def test_the_level_is_unknown_after_the_ride_through_without_a_value_of_the_level_sensor(
    fault: LevelFault,
) -> None:
    tank = Tank(LEVEL_SENSOR_ONLY)
    tank.read(0.7, seconds=10)
    assert tank.read(fault, seconds=2).zone is Zone.MIDDLE
    level = tank.read(fault)
    assert (level.depth_m, level.volume_l, level.zone) == (None, None, None)
    assert level.faults == (fault,)
    assert level.volume_at_least_l == 0.0


def test_a_level_sensor_that_never_reported_a_value_is_a_fault_at_once() -> None:
    assert Tank(LEVEL_SENSOR_ONLY).read(None).faults == (LevelFault.LEVEL_SENSOR_MISSING,)


def test_a_repaired_level_sensor_is_used_again() -> None:
    tank = Tank(LEVEL_SENSOR_ONLY)
    tank.read(0.7, seconds=5)
    tank.read(LevelFault.LEVEL_SENSOR_OPEN, seconds=60)
    level = tank.read(0.3)
    assert level.faults == ()
    assert level.depth_m == pytest.approx(0.3)


def test_two_switches_replace_a_failed_level_sensor_and_the_fault_is_shown() -> None:
    tank = Tank(BOTH)
    tank.water(0.7, seconds=30)
    level = tank.read(LevelFault.LEVEL_SENSOR_SHORT, True, False, False, seconds=10)
    assert level.zone is Zone.MIDDLE
    assert level.volume_l is None
    assert level.faults == (LevelFault.LEVEL_SENSOR_SHORT,)
    assert level.volume_at_least_l == pytest.approx(BARREL.volume_l(0.47))


def test_a_fitted_switch_that_is_not_reported_is_a_fault() -> None:
    level = Tank(SWITCHES_ONLY).read(None, True, None, False, seconds=20)
    assert level.zone is None
    assert level.faults == (LevelFault.SWITCH_MISSING,)


def test_a_wet_full_switch_above_a_dry_low_switch_counts_as_full_and_then_as_unknown() -> None:
    tank = Tank(SWITCHES_ONLY)
    tank.read(None, False, False, False, seconds=20)
    level = tank.read(None, False, True, False, seconds=10)
    assert (level.zone, level.faults) == (Zone.FULL, ())
    level = tank.read(None, False, True, False, seconds=20)
    assert (level.zone, level.faults) == (None, (LevelFault.SWITCHES_CONTRADICT,))
    assert level.volume_at_least_l == 0.0


def seconds_until(tank: Tank, fault: LevelFault, depth: float | None, *switches: bool) -> int:
    for second in range(1, 100):
        if fault in tank.read(depth, switches[0], switches[1], switches[2]).faults:
            return second
    raise AssertionError(f"{fault} was not found")


def test_a_contradiction_counts_when_it_has_lasted_for_its_time() -> None:
    switches = Tank(replace(SWITCHES_ONLY, debounce_s=0.0))
    # The first reading begins the time, so the reading 20 s later is the twenty-first.
    assert seconds_until(switches, LevelFault.SWITCHES_CONTRADICT, None, False, True, False) == 21
    assert switches.read(None, True, True, False).faults == ()
    assert seconds_until(switches, LevelFault.SWITCHES_CONTRADICT, None, False, True, False) == 21
    both = Tank(replace(BOTH, debounce_s=0.0))
    wrong = LevelFault.LEVEL_SENSOR_CONTRADICTS_SWITCH
    assert seconds_until(both, wrong, 0.7, True, True, False) == 21
    assert both.read(0.7, True, False, False).faults == ()
    assert seconds_until(both, wrong, 0.7, True, True, False) == 21


def test_an_overflow_over_a_dry_full_switch_is_a_contradiction_and_still_an_overflow() -> None:
    level = Tank(SWITCHES_ONLY).read(None, True, False, True, seconds=40)
    assert level.overflow is True
    assert level.zone is None
    assert level.faults == (LevelFault.SWITCHES_CONTRADICT,)


def test_a_full_switch_ends_the_fill_for_any_value_of_the_level_sensor() -> None:
    tank = Tank(BOTH)
    tank.water(0.7, seconds=30)
    level = tank.read(0.7, True, True, False, seconds=5)
    assert (level.zone, level.faults) == (Zone.FULL, ())
    level = tank.read(0.7, True, True, False, seconds=30)
    assert level.zone is None
    assert level.depth_m is None
    assert level.faults == (LevelFault.LEVEL_SENSOR_CONTRADICTS_SWITCH,)


def test_an_empty_reading_of_the_level_sensor_above_a_wet_low_switch_starts_no_fill() -> None:
    tank = Tank(BOTH)
    tank.water(0.7, seconds=30)
    for _ in range(60):
        assert tank.read(0.05, True, False, False).zone is not Zone.LOW


@pytest.mark.parametrize(
    ("depth", "low", "full", "overflow"),
    [
        (0.45, False, True, False),
        (0.40, True, False, False),
        (0.60, False, False, False),
        (0.95, True, False, False),
        (0.80, True, None, True),
    ],
)
def test_each_switch_can_contradict_the_level_sensor(
    depth: float, low: bool, full: bool | None, overflow: bool
) -> None:
    settings = replace(BOTH, full_switch=full is not None)
    tank = Tank(settings)
    early = tank.read(depth, low, full, overflow, seconds=15)
    assert early.faults == ()
    level = tank.read(depth, low, full, overflow, seconds=30)
    assert LevelFault.LEVEL_SENSOR_CONTRADICTS_SWITCH in level.faults
    assert (level.depth_m, level.volume_l, level.zone) == (None, None, None)


def test_during_a_contradiction_the_level_sensor_gives_no_certain_volume() -> None:
    tank = Tank(BOTH)
    tank.read(0.8, True, False, False, seconds=10)
    assert tank.read(0.8, True, False, False).volume_at_least_l == pytest.approx(BARREL.volume_l(0.77))
    assert tank.read(0.8, False, False, False, seconds=5).volume_at_least_l == 0.0


def test_a_difference_within_the_tolerance_is_no_contradiction() -> None:
    level = Tank(BOTH).read(0.52, False, False, False, seconds=120)
    assert level.faults == ()
    assert level.zone is Zone.MIDDLE


def exact(**more: Any) -> LevelSettings:
    """A cubic metre whose sensor reads its depth without rounding, and whose marks are binary fractions."""
    identity = LevelSensor(LevelSensorTable(((0.0, 0.0), (1.0, 1.0))), plausible_low=0.0, plausible_high=1.0)
    plain: dict[str, Any] = {
        "level_sensor": identity,
        "fill_fraction": 0.75,
        "wave_time_constant_s": 0.0,
        "debounce_s": 0.0,
        "contradiction_s": 0.0,
        "agreement_m": 0.03125,
    }
    return LevelSettings(Box(1.0, 1.0, 1.0), **{**plain, **more})


@pytest.mark.parametrize(
    ("switch", "wet", "at_m", "towards"),
    [
        ("low", True, 0.5 - 0.03125, -1.0),
        ("low", False, 0.5 + 0.03125, 1.0),
        ("full", True, 0.75 - 0.03125, -1.0),
        ("full", False, 0.75 + 0.03125, 1.0),
        ("overflow", True, 0.75 - 0.03125, -1.0),
    ],
)
def test_a_sensor_contradicts_a_switch_only_beyond_the_tolerance(
    switch: str, wet: bool, at_m: float, towards: float
) -> None:
    settings = exact(**{f"{switch}_switch": True})
    contacts = {name: wet if name == switch else None for name in ("low", "full", "overflow")}
    for depth_m, faults in (
        (at_m, ()),
        (at_m + towards * 1e-6, (LevelFault.LEVEL_SENSOR_CONTRADICTS_SWITCH,)),
    ):
        _, level = observe(settings, LevelWatch(), depth_m, **contacts, now=0.0)
        assert level.faults == faults


@pytest.mark.parametrize(
    ("depth_m", "zone"),
    [
        (0.5 + 0.001, Zone.LOW),
        (0.5 + 0.00101, Zone.MIDDLE),
        (0.75 - 0.00101, Zone.MIDDLE),
        (0.75 - 0.001, Zone.FULL),
    ],
)
def test_a_mark_is_reached_a_millimetre_before_it(depth_m: float, zone: Zone) -> None:
    assert observe(exact(), LevelWatch(), depth_m, None, None, None, 0.0)[1].zone is zone


@pytest.mark.parametrize(
    ("step_m", "from_m", "still_m", "moved_m"),
    [(0.0, 0.0, 0.005, 0.00501), (0.0625, 0.5, 0.53125, 0.5313)],
)
def test_a_movement_of_exactly_the_noise_or_of_exactly_half_a_step_is_none(
    step_m: float, from_m: float, still_m: float, moved_m: float
) -> None:
    settings = exact(stuck_after_s=10.0)
    assert settings.level_sensor is not None
    settings = replace(settings, level_sensor=replace(settings.level_sensor, step_m=step_m))
    for to_m, faults in ((still_m, (LevelFault.LEVEL_SENSOR_STUCK,)), (moved_m, ())):
        watch, _ = observe(settings, LevelWatch(), from_m, None, None, None, 0.0)
        for now in (5.0, 6.0, 10.0):
            watch, level = observe(settings, watch, to_m, None, None, None, now)
        assert level.faults == faults


def test_a_low_switch_far_below_the_refill_mark_does_not_prevent_a_fill() -> None:
    tank = Tank(replace(LEVEL_SENSOR_ONLY, low_switch=True, low_switch_fraction=0.1))
    assert tank.read(0.4, True, seconds=30).zone is Zone.LOW


def test_a_level_sensor_that_never_moves_is_reported_and_keeps_its_level() -> None:
    tank = Tank(replace(LEVEL_SENSOR_ONLY, stuck_after_s=600.0))
    assert tank.read(0.7, seconds=600).faults == ()
    level = tank.read(0.7)
    assert level.faults == (LevelFault.LEVEL_SENSOR_STUCK,)
    assert level.zone is Zone.MIDDLE
    tank.read(0.6, seconds=30)
    assert tank.read(0.6).faults == ()


@pytest.mark.parametrize(
    ("step_m", "moved_m", "moves"),
    [
        (0.0, 0.004, False),
        (0.0, 0.006, True),
        (0.02, 0.008, False),
        (0.02, 0.02, True),
    ],
)
def test_a_level_sensor_moves_if_it_leaves_the_noise_and_half_of_its_step(
    step_m: float, moved_m: float, moves: bool
) -> None:
    sensor = LevelSensor(TABLE, step_m=step_m)
    tank = Tank(
        replace(LEVEL_SENSOR_ONLY, level_sensor=sensor, stuck_after_s=100.0, wave_time_constant_s=0.0)
    )
    tank.read(0.7, seconds=60)
    level = tank.read(0.7 + moved_m, seconds=60)
    assert (LevelFault.LEVEL_SENSOR_STUCK in level.faults) is not moves


def test_the_certain_volume_is_lower_than_the_measured_one_by_step_and_tolerance() -> None:
    reeds = replace(LEVEL_SENSOR_ONLY, level_sensor=LevelSensor(TABLE, step_m=0.02))
    level = Tank(reeds).read(0.7)
    assert level.volume_at_least_l == pytest.approx(BARREL.volume_l(0.65))


def test_every_fault_has_an_id_for_the_log_and_a_sentence_for_its_reader() -> None:
    for fault in LevelFault:
        assert fault.value == fault.value.lower()
        assert " " not in fault.value
        assert fault.sentence.endswith(".")


# ------------------------------------------------------------------ over any sequence

RAW = st.one_of(st.none(), st.floats(-0.5, 1.5), st.just(math.nan), st.just(LevelFault.LEVEL_SENSOR_OPEN))
CONTACT = st.sampled_from([True, False, None])


@given(
    st.sampled_from([LEVEL_SENSOR_ONLY, SWITCHES_ONLY, BOTH]),
    st.lists(st.tuples(RAW, CONTACT, CONTACT, CONTACT, st.floats(0.0, 30.0)), max_size=40),
)
def test_the_zone_is_on_the_safe_side_for_any_sequence_of_readings(
    settings: LevelSettings, steps: list[tuple[RawLevelSensor, bool | None, bool | None, bool | None, float]]
) -> None:
    watch, now = LevelWatch(), 0.0
    for raw, low, full, overflow, wait_s in steps:
        now += wait_s
        watch, level = observe(settings, watch, raw, low, full, overflow, now)
        if settings.overflow_switch and overflow:
            assert level.overflow is True
        if level.overflow or watch.full.wet:
            assert level.zone in (Zone.FULL, None)
        if level.zone is Zone.LOW:
            assert watch.low.wet is not True
            assert level.depth_m is None or level.depth_m <= settings.refill_m + 0.001
        if LevelFault.SWITCHES_CONTRADICT in level.faults:
            assert level.zone is None
        assert (level.depth_m is None) is (level.volume_l is None)
        if level.volume_l is not None:
            assert 0.0 <= level.volume_at_least_l <= BARREL.capacity_l
        if settings.level_sensor is None:
            assert level.volume_l is None


@given(st.lists(st.tuples(st.floats(0.0, 1.0), st.integers(1, 30)), min_size=1, max_size=10))
def test_sound_sensors_that_agree_never_give_a_fault_and_end_in_the_true_zone(
    stays: list[tuple[float, int]],
) -> None:
    tank = Tank(BOTH)
    depth = stays[0][0]
    for target, seconds in stays:
        while abs(target - depth) > 0.02:
            depth += math.copysign(0.02, target - depth)
            assert tank.water(depth).faults == ()
        assert tank.water(depth, seconds).faults == ()
    level = tank.water(depth, 60)
    assert level.faults == ()
    true = Zone.FULL if depth >= 0.9 else Zone.MIDDLE if depth > 0.5 else Zone.LOW
    if min(abs(depth - 0.5), abs(depth - 0.9)) > 0.002:
        assert level.zone is true


# ------------------------------------------------------------------ settings


def test_too_few_sensors_for_a_fill_are_refused() -> None:
    with pytest.raises(InputError, match="both a low and a full switch"):
        LevelSettings(BARREL, full_switch=True, overflow_switch=True)
    with pytest.raises(InputError, match="both a low and a full switch"):
        LevelSettings(BARREL, low_switch=True)


def test_a_level_sensor_that_does_not_reach_a_mark_is_refused() -> None:
    short = LevelSensor(LevelSensorTable(((0.1, 0.0), (0.9, 0.8))))
    with pytest.raises(InputError, match="no fill would ever end"):
        LevelSettings(BARREL, level_sensor=short)
    assert LevelSettings(BARREL, level_sensor=short, full_switch=True).needs_full_switch
    with pytest.raises(InputError, match="no fill would ever start"):
        LevelSettings(BARREL, level_sensor=LevelSensor(LevelSensorTable(((0.1, 0.6), (0.9, 1.0)))))
    with pytest.raises(InputError, match=r"only 1 m high"):
        LevelSettings(BARREL, level_sensor=LevelSensor(LevelSensorTable(((0.1, 0.0), (0.9, 1.2)))))
    with pytest.raises(InputError, match="over the brim"):
        LevelSettings(BARREL, level_sensor=LevelSensor(TABLE, step_m=0.15))


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("debounce_s", "the debounce time"),
        ("overflow_return_s", "the return time"),
        ("contradiction_s", "a contradiction may last"),
        ("ride_through_s", "the ride-through"),
        ("wave_time_constant_s", "the waves"),
        ("agreement_m", "the agreement"),
        ("stuck_after_s", "a still level sensor"),
    ],
)
def test_a_time_or_a_tolerance_below_zero_is_refused_by_name(name: str, words: str) -> None:
    def changed(value: Any) -> LevelSettings:
        return replace(LEVEL_SENSOR_ONLY, **{name: value})

    for wrong in (-0.001, math.nan, math.inf):
        with pytest.raises(OutOfRangeError, match=words):
            changed(wrong)
    least = None if name == "stuck_after_s" else 0.0
    assert getattr(changed(least), name) == least


def test_a_level_sensor_may_begin_at_the_refill_mark_and_end_at_the_fill_mark() -> None:
    exact = LevelSensor(LevelSensorTable(((0.1, 0.5), (0.9, 0.9))))
    shape = UprightCylinder(2.0 / math.sqrt(math.pi), 1.0)
    settings = LevelSettings(shape, level_sensor=exact)
    assert (settings.refill_m, settings.fill_m) == (0.5, 0.9)
    assert not settings.needs_full_switch
    assert not LevelSettings(shape, level_sensor=replace(exact, step_m=0.1)).needs_full_switch


@pytest.mark.parametrize(
    ("refill", "fill"), [(0.9, 0.5), (0.5, 0.5), (0.0, 0.9), (0.5, 1.1), (math.nan, 0.9)]
)
def test_marks_in_the_wrong_order_are_refused(refill: float, fill: float) -> None:
    with pytest.raises(OutOfRangeError, match="refill mark"):
        LevelSettings(BARREL, level_sensor=LevelSensor(TABLE), refill_fraction=refill, fill_fraction=fill)
    with pytest.raises(OutOfRangeError, match="low switch"):
        replace(SWITCHES_ONLY, low_switch_fraction=refill, full_switch_fraction=fill)


def test_without_a_level_sensor_only_the_full_switch_ends_a_fill() -> None:
    settings = LevelSettings(BARREL, low_switch=True, full_switch=True)
    assert settings.needs_full_switch
    assert settings.tolerance_m == settings.agreement_m


def test_below_the_fill_mark_a_level_sensor_alone_leaves_the_level_unknown_without_the_full_switch() -> None:
    short = LevelSensor(LevelSensorTable(((0.1, 0.0), (0.9, 0.8))))
    settings = LevelSettings(BARREL, level_sensor=short, full_switch=True)
    watch = LevelWatch()
    watch, level = observe(settings, watch, 0.8, None, None, None, 0.0)
    assert level.zone is None
