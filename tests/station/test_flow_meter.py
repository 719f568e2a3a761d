"""A count of flow pulses becomes litres only if so much water can have flowed."""

from dataclasses import replace

import pytest

from bridge.demo import station
from bridge.guard.limits import Limits
from bridge.guard.model import Advisory, Flow
from bridge.protocol.messages import Reading
from bridge.rig.scenario import DEMO
from bridge.station.assess import Memory, Picture, assess, begin, restarted
from bridge.station.inventory import unmeasured

PLAN = station(DEMO, "nowhere", Limits(), 0.5, 0.9)
assert PLAN.litres_per_pulse is not None
PULSES_PER_L = round(1.0 / PLAN.litres_per_pulse)
EACH = PULSES_PER_L // 100
"""The pulses of a tenth of a second at the greatest flow of 6 L a minute."""
FAILED = Advisory.FLOW_METER_FAILURE


class Meter:
    """A reading with a count every tenth of a second."""

    def __init__(self, memory: Memory | None = None) -> None:
        self.now = 50.0
        self.memory = memory or begin(PLAN)
        self.picture: Picture | None = None

    def read(self, pulses: int, seconds: float = 0.1) -> None:
        self.now += seconds
        reading = Reading(
            1, Flow.TO_RESERVOIR, product_us=40.0, product_c=15.0, feed_us=600.0, feed_c=15.0,
            level_sensor=0.5, switch_low=True, switch_full=False, switch_overflow=False, pulses=pulses,
        )  # fmt: skip
        self.memory, self.picture = assess(PLAN, self.memory, reading, True, self.now)

    @property
    def counted(self) -> int:
        return round(self.memory.inventory.load.treated_l * PULSES_PER_L)

    @property
    def failed(self) -> bool:
        assert self.picture is not None
        return FAILED in self.picture.assessment.advisories


@pytest.mark.parametrize("torn", [65_536, 2**32 - 1 - 1000, 2**31, -1000, -500])
def test_one_torn_count_is_used_nowhere_and_is_shown(torn: int) -> None:
    meter = Meter()
    for number in range(100):
        meter.read(1000 + EACH * number + (torn if number == 50 else 0))
    assert meter.counted == EACH * 99
    assert meter.failed
    assert meter.memory.throughput_l == pytest.approx(EACH * 99 / PULSES_PER_L)


def test_a_counter_that_jumped_goes_on_counting_without_the_jump() -> None:
    meter = Meter()
    for number in range(100):
        meter.read(1000 + EACH * number + (65_536 if number >= 50 else 0))
    assert meter.failed
    # The pulses between the last count before the jump and the third after it are not known.
    assert meter.counted == EACH * (99 - 3)


def test_an_hour_of_wild_counts_brings_no_water() -> None:
    meter = Meter()
    for number in range(3600):
        meter.read(1000 + (number * 7919 * 104_729) % 2**32, seconds=1.0)
    assert meter.counted == 0
    assert meter.failed


def test_a_failing_meter_leaves_the_volume_of_a_fill_to_the_level() -> None:
    meter = Meter()
    meter.read(1000)
    meter.read(1000 + 65_536)
    assert meter.picture is not None
    assert meter.picture.assessment.throughput_l is None
    for number in range(700):
        meter.read(1000 + number)
    assert not meter.failed
    assert meter.picture.assessment.throughput_l is not None


def test_readings_that_arrive_late_and_together_are_counted_whole() -> None:
    meter = Meter()
    for number in range(100):
        # Twenty readings at once, every two seconds.
        meter.read(1000 + EACH * number, seconds=2.0 if number % 20 == 0 else 0.0)
    assert meter.counted == EACH * 99
    assert not meter.failed


def test_a_count_that_falls_is_a_restart_only_after_a_hello_or_if_it_goes_on() -> None:
    meter = Meter()
    for number in range(10):
        meter.read(9000 + EACH * number)
    meter.memory = restarted(meter.memory)
    for number in range(10):
        meter.read(EACH * number)
    assert meter.counted == EACH * 18
    # The hello of this restart was lost.
    for number in range(10):
        meter.read(EACH * number)
    assert meter.counted == EACH * 27
    assert not meter.failed


@pytest.mark.parametrize("seconds", [5.0, 7200.0])
def test_water_that_flowed_during_a_gap_is_counted_at_the_next_readings(seconds: float) -> None:
    meter = Meter()
    meter.read(1000)
    litres = round(seconds / 10.0)
    for number in range(5):
        meter.read(1000 + litres * PULSES_PER_L + number, seconds=seconds if number == 0 else 0.1)
    assert meter.counted == litres * PULSES_PER_L + 4
    assert not meter.failed


@pytest.mark.parametrize(("since_l", "counted_l"), [(0.5, 0.5), (200.0, 200.0), (20_000.0, 0.0)])
def test_water_that_flowed_between_two_processes_is_counted_if_one_fill_can_bring_it(
    since_l: float, counted_l: float
) -> None:
    meter = Meter(begin(PLAN, replace(unmeasured(6.0), pulses=1000)))
    for _ in range(3):
        meter.read(1000 + round(since_l * PULSES_PER_L))
    assert meter.counted == pytest.approx(counted_l * PULSES_PER_L, abs=1)
    assert meter.failed is (counted_l == 0.0)


def test_one_torn_count_at_the_start_is_not_the_water_of_the_time_before() -> None:
    meter = Meter(begin(PLAN, replace(unmeasured(6.0), pulses=1000)))
    meter.read(1000 + 65_536)
    assert meter.picture is not None
    assert meter.picture.assessment.throughput_l is None, "the guard waits for a count that convinces"
    meter.read(1000 + EACH)
    assert meter.counted == EACH
    assert meter.memory.meter.caught_up
