"""The order of records survives every clock."""

from hypothesis import given
from hypothesis import strategies as st

from bridge.daemon.rows import FAR_BEHIND_S, ClockStep, RecordClock
from bridge.history.records import Stamp

NOON = 1_750_000_000.0
HOUR = 3600.0
YEAR = 365 * 86_400.0


def run(
    steps: dict[int, float], seconds: int, *, clock: RecordClock | None = None
) -> tuple[list[Stamp], list[ClockStep]]:
    """Returns a stamp for each second. ``steps[second]`` sets the wall clock."""
    clock = clock or RecordClock(1)
    wall, stamps, found = NOON, [], []
    for second in range(seconds):
        wall += steps.get(second, 0.0)
        stamp, step = clock.stamp(float(second), wall + second)
        stamps.append(stamp)
        if step:
            found.append(step)
    return stamps, found


def test_a_steady_clock_gives_its_time_without_an_event() -> None:
    stamps, found = run({}, 100)
    assert [s.utc_ms for s in stamps] == [round((NOON + i) * 1000) for i in range(100)]
    assert found == []


def test_a_step_of_an_hour_forward_is_followed_at_once_and_reported() -> None:
    stamps, found = run({10: HOUR}, 20)
    assert stamps[10].utc_ms == round((NOON + 10 + HOUR) * 1000)
    assert [round(step.seconds) for step in found] == [3600]


def test_after_a_step_of_an_hour_back_the_stamps_run_at_half_pace_and_never_back() -> None:
    stamps, found = run({10: -HOUR}, 7300)
    times = [s.utc_ms for s in stamps]
    assert times == sorted(set(times))
    assert times[20] - times[10] == 5000, "while the clock is behind, ten seconds count as five"
    assert times[7299] == round((NOON - HOUR + 7299) * 1000), (
        "after two hours the stamps are the wall clock's again"
    )
    assert [round(step.seconds) for step in found] == [-3600]


def test_a_wrong_year_for_five_minutes_has_no_effect() -> None:
    stamps, found = run({10: YEAR, 310: -YEAR}, 400)
    assert [s.utc_ms for s in stamps] == [round((NOON + i) * 1000) for i in range(400)]
    assert [round(step.seconds / YEAR) for step in found] == [1, -1]


def test_a_lasting_step_of_a_year_forward_is_followed_after_ten_minutes() -> None:
    stamps, _ = run({10: YEAR}, 700)
    assert stamps[500].utc_ms == round((NOON + 500) * 1000)
    assert stamps[699].utc_ms == round((NOON + YEAR + 699) * 1000)


def test_after_a_step_of_a_year_back_durations_are_true_and_the_offset_is_reported() -> None:
    stamps, found = run({10: -YEAR}, 1000)
    assert stamps[999].utc_ms - stamps[10].utc_ms == 989_000
    assert found[0].behind_s > FAR_BEHIND_S
    assert "start a new log" in found[0].sentence


def test_the_first_stamp_is_later_than_the_log_if_the_clock_starts_in_1970() -> None:
    floor = round(NOON * 1000)
    stamp, step = RecordClock(2, floor).stamp(0.0, 12.0)
    assert stamp.utc_ms > floor
    assert step is not None
    assert step.seconds < -YEAR


@given(
    st.dictionaries(
        st.integers(0, 300),
        st.sampled_from([HOUR, -HOUR, YEAR, -YEAR]) | st.floats(-3 * YEAR, 3 * YEAR),
        max_size=12,
    ),
    st.integers(0, 2 * round(NOON * 1000)),
)
def test_no_sequence_of_steps_reorders_the_log(steps: dict[int, float], floor: int) -> None:
    stamps, found = run(steps, 300, clock=RecordClock(3, floor))
    assert stamps == sorted(stamps)
    assert [s.sequence for s in stamps] == list(range(300))
    times = [floor, *(s.utc_ms for s in stamps)]
    assert times == sorted(set(times))
    big = [second for second, by in steps.items() if 0 < second < 300 and abs(by) > 2]
    assert len([step for step in found if abs(step.seconds) > 2]) >= len(big)
