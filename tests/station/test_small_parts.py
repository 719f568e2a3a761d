"""The small parts of a station at the ends of their times: openings, board, cells, plan, flow meter."""

import math
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest

from bridge.guard.model import Flow
from bridge.protocol.messages import BootReason, Feature, Hello, Reading
from bridge.station.board import ANSWER_S, SHOWN_S, Board
from bridge.station.cells import WITHIN_S, CellPair, Cells, look
from bridge.station.check_cell import LEARNED, Ratio, compare, own_uncertainty_ppm, vote
from bridge.station.flow_meter import (
    CONVINCING_RUN,
    FAILURE_SHOWN_S,
    MARGIN,
    SLACK_S,
    UNDOUBTED_S,
    FlowMeter,
    count,
    restarted,
)
from bridge.station.openings import (
    FIRST_WAIT_S,
    FOLLOW_S,
    LONGEST_WAIT_S,
    RESTART_WITHIN_S,
    RESTARTS_MAX,
    STEADY_S,
    Openings,
)
from bridge.station.plan import CalibrationInForce
from bridge.water.conductivity import Cell, Compensation, Method
from bridge.water.measurement import MeasuringChain, measure
from bridge.water.uncertainty import StandardUncertainties

OPEN = Flow.TO_RESERVOIR

# ------------------------------------------------------------------ openings


def follow(openings: Openings, seen: Flow, begin_s: int, end_s: int) -> None:
    """Reports a path once a second while the valve may be open."""
    for second in range(begin_s, end_s + 1):
        openings.look(OPEN, seen, float(second), float(second))


def test_a_path_that_is_never_followed_fails_after_its_time_and_by_reports_alone() -> None:
    openings = Openings()
    openings.look(OPEN, Flow.SHUT, None, 100.0)
    openings.look(OPEN, Flow.SHUT, 100.0, 200.0)
    assert not openings.failed, "silence is no sign"
    follow(openings, Flow.SHUT, 101, 109)
    assert not openings.failed
    follow(openings, Flow.SHUT, 110, 110)
    assert openings.failed
    assert openings.held(110.0 + FIRST_WAIT_S - 0.01)
    assert not openings.held(110.0 + FIRST_WAIT_S)
    assert not openings.restarts_each_time


def test_a_path_that_is_still_not_followed_fails_again_after_the_whole_time_and_not_at_each_report() -> None:
    openings = Openings()
    openings.look(OPEN, Flow.SHUT, None, 100.0)
    follow(openings, Flow.SHUT, 101, 119)
    assert not openings.held(119.0), "the wait of the failure at 110 s is over"
    follow(openings, Flow.SHUT, 120, 120)
    assert openings.held(120.0 + 2.0 * FIRST_WAIT_S - 0.01)


def test_a_path_that_was_followed_may_differ_for_its_time_from_the_first_difference() -> None:
    openings = Openings()
    openings.look(OPEN, OPEN, None, 100.0)
    follow(openings, OPEN, 101, 110)
    follow(openings, Flow.SHUT, 111, 120)
    assert not openings.failed
    follow(openings, OPEN, 121, 121)
    follow(openings, Flow.SHUT, 122, 131)
    assert not openings.failed, "the time begins again"
    follow(openings, Flow.SHUT, 132, 132)
    assert openings.failed
    assert FOLLOW_S == 10.0


def test_the_wait_doubles_with_each_failure_in_a_row_and_a_steady_opening_ends_the_row() -> None:
    openings, now = Openings(), 0.0
    waits = []
    for _ in range(10):
        openings.look(OPEN, OPEN, None, now)
        openings.restarted(now + 1.0)
        assert openings.failed
        waits.append(next(wait for wait in range(1000) if not openings.held(now + 1.0 + wait)))
        openings.look(Flow.SHUT, Flow.SHUT, now + 2.0, now + 2.0)
        now += 1000.0
    assert waits == [min(FIRST_WAIT_S * 2**number, LONGEST_WAIT_S) for number in range(10)]
    openings.look(OPEN, OPEN, None, now)
    begin = int(now) + 1
    follow(openings, OPEN, begin, begin + int(STEADY_S) - 1)
    assert openings.failed
    assert openings.restarts_each_time
    follow(openings, OPEN, begin + int(STEADY_S), begin + int(STEADY_S))
    assert not openings.failed
    assert not openings.restarts_each_time
    openings.restarted(now + 30.0)
    assert not openings.failed, "a restart in the middle of a long opening"
    openings.restarted(now + 31.0)
    assert openings.held(now + 31.0 + FIRST_WAIT_S - 0.01)
    assert not openings.held(now + 31.0 + FIRST_WAIT_S), "the waits begin again"


def test_a_valve_that_was_never_opened_may_get_a_lease() -> None:
    openings = Openings()
    assert not openings.held(0.0)
    assert not openings.failed


def test_a_steady_opening_counts_from_the_first_report_after_the_decision() -> None:
    openings = Openings()
    openings.look(OPEN, Flow.SHUT, None, 0.0)
    follow(openings, Flow.SHUT, 1, 10)
    assert openings.failed
    openings.look(Flow.SHUT, Flow.SHUT, 50.0, 50.0)
    # A report of the moment of the decision is from before it.
    follow(openings, OPEN, 100, 120)
    assert openings.failed
    follow(openings, OPEN, 121, 121)
    assert not openings.failed, "it had failed without any restart"


def test_only_restarts_soon_after_an_opening_are_counted_for_the_trip() -> None:
    openings, now = Openings(), 0.0
    openings.restarted(now)
    assert not openings.failed, "the valve was shut"
    for number in range(RESTARTS_MAX):
        assert not openings.restarts_each_time
        now += 1000.0
        openings.look(OPEN, Flow.SHUT, None, now)
        openings.restarted(now + RESTART_WITHIN_S + 0.01)
        assert openings.restarts_each_time is False
        openings.look(Flow.SHUT, Flow.SHUT, None, now + 20.0)
        now += 1000.0
        openings.look(OPEN, Flow.SHUT, None, now)
        openings.restarted(now + RESTART_WITHIN_S)
        openings.look(Flow.SHUT, Flow.SHUT, None, now + 20.0)
        assert openings.restarts_each_time is (number == RESTARTS_MAX - 1)
    openings.forgive()
    assert not openings.failed
    for number in range(RESTARTS_MAX):
        assert not openings.restarts_each_time, number
        now += 1000.0
        openings.look(OPEN, Flow.SHUT, None, now)
        openings.restarted(now + 1.0)
        openings.look(Flow.SHUT, Flow.SHUT, None, now + 20.0)
    assert openings.restarts_each_time


# ------------------------------------------------------------------ the board


def hello(number: int = 0) -> Hello:
    return Hello(number, "board", "1.0", BootReason.POWER, 10_000, Feature.LEVEL_SENSOR)


def reading(number: int) -> Reading:
    return Reading(number, Flow.SHUT)


def test_numbers_may_go_on_by_a_hundred_a_second_and_wrap() -> None:
    for number, now, doubted in ((100, 1.0, False), (300, 2.0, False), (301, 2.0, True), (65_530, 1.0, True)):
        board = Board()
        assert not board.take(reading(100), 1.0)
        assert not board.take(reading(number), now)
        assert board.in_doubt is doubted, number
    board = Board()
    board.take(reading(65_535), 1.0)
    board.take(reading(5), 1.1)
    assert not board.in_doubt


def test_a_board_in_doubt_is_asked_at_once_and_again_until_it_answers() -> None:
    board = Board()
    assert not board.must_be_asked(0.0)
    board.take(reading(5000), 10.0)
    board.take(reading(0), 11.0)
    assert board.must_be_asked(11.0)
    assert not board.must_be_asked(11.0 + ANSWER_S - 0.01)
    assert not board.unanswered(11.0 + ANSWER_S - 0.01)
    assert board.unanswered(11.0 + ANSWER_S)
    assert board.must_be_asked(11.0 + ANSWER_S)
    board.take(reading(5000), 13.5)
    assert board.unanswered(13.5), "a second jump does not begin the time again"
    assert board.take(hello(1), 14.0), "it has restarted, and its first hello was lost"
    assert not board.in_doubt
    assert not board.unanswered(20.0)
    assert board.restarted_lately(14.0 + SHOWN_S - 0.01)
    assert not board.restarted_lately(14.0 + SHOWN_S)


def test_the_first_hello_of_all_and_an_answer_in_the_row_are_no_restart() -> None:
    board = Board()
    assert not board.take(hello(0), 1.0)
    assert not board.restarted_lately(1.0)
    board.take(reading(1), 2.0)
    assert not board.take(hello(2), 3.0)
    assert board.take(hello(0), 4.0)
    wrapped = Board()
    wrapped.take(reading(65_535), 1.0)
    assert wrapped.take(hello(0), 1.1), "a first hello that happens to follow the last number"
    following = Board()
    following.take(reading(0), 1.0)
    assert not following.take(hello(1), 1.1)


def test_a_named_board_must_identify_itself_at_the_start_and_after_each_loss_of_the_line() -> None:
    board = Board("mine")
    assert board.in_doubt
    assert board.must_be_asked(0.0)
    assert not board.unanswered(1000.0), "it was never there"
    assert not board.take(hello(7), 1.0)
    assert board.greeted("mine", 1.0) is None
    assert not board.in_doubt
    board.lost()
    assert board.in_doubt
    assert not board.take(hello(9), 2.0), "a lost line alone is no restart"
    warning = board.greeted("other", 3.0)
    assert warning is not None
    assert "the configuration names mine" in warning
    assert board.wrong
    assert board.exchanged(3.0 + 10 * SHOWN_S), "as long as it is the wrong one"
    assert board.greeted("other", 4.0) is None, "it is reported once"
    any_board = Board()
    any_board.lost()
    assert not any_board.in_doubt


def test_another_board_is_reported_for_a_while() -> None:
    board = Board(known="old")
    warning = board.greeted("new", 5.0)
    assert warning is not None
    assert "it was old before" in warning
    assert not board.wrong
    assert board.exchanged(5.0 + SHOWN_S - 0.01)
    assert not board.exchanged(5.0 + SHOWN_S)
    assert board.greeted("new", 70.0) is None
    assert not board.exchanged(70.0)
    assert Board().greeted("first", 1.0) is None


# ------------------------------------------------------------------ product and feed cell


USUAL = Cells(CellPair(10.0, 500.0, 0.0), CellPair(10.0, 500.0, 0.0))


@pytest.mark.parametrize(
    ("product", "feed", "exchanged"),
    [
        (15.0, 500.0 / 1.5, True),
        (6.66, 751.0, True),
        (14.9, 300.0, False),
        (16.0, 340.0, False),
        (6.8, 900.0, False),
        (6.0, 740.0, False),
        (20.0, 1000.0, False),
        (5.0, 250.0, False),
    ],
)
def test_two_cells_are_exchanged_if_both_values_change_by_half_in_opposite_directions(
    product: float, feed: float, exchanged: bool
) -> None:
    assert look(USUAL, product, feed, 1.0).exchanged is exchanged


def test_a_change_by_exactly_the_factor_counts_in_both_directions() -> None:
    for before, now in (((1.5, 1.0), (1.0, 1.5)), ((1.0, 1.5), (1.5, 1.0))):
        pair = CellPair(*before, 0.0)
        assert look(Cells(pair, pair), *now, 1.0).exchanged


def test_an_exchange_lasts_until_both_values_are_back() -> None:
    swapped = look(USUAL, 500.0, 10.0, 1.0)
    assert swapped.exchanged
    for product, feed in ((10.0, 10.0), (500.0, 500.0), (15.0, 500.0), (10.0, 750.0), (6.0, 500.0)):
        assert look(swapped, product, feed, 2.0) is swapped
    back = look(swapped, 14.0, 400.0, 3.0)
    assert not back.exchanged
    assert (back.usual, back.next) == (USUAL.usual, CellPair(14.0, 400.0, 3.0))


def test_values_are_compared_with_those_of_ten_seconds_before() -> None:
    first = look(Cells(), 10.0, 500.0, 70.0)
    assert (first.usual, first.next) == (CellPair(10.0, 500.0, 70.0),) * 2
    assert look(first, 12.0, 450.0, 70.0 + WITHIN_S - 0.01) is first
    later = look(first, 12.0, 450.0, 70.0 + WITHIN_S)
    assert (later.usual, later.next) == (first.next, CellPair(12.0, 450.0, 70.0 + WITHIN_S))


# ------------------------------------------------------------------ a calibration in the plan


def test_a_cell_goes_on_drifting_from_its_calibration_and_not_from_the_start_of_the_bridge() -> None:
    year_s = 365.25 * 86_400.0
    made = CalibrationInForce(
        datetime(2026, 1, 1, tzinfo=UTC), "84", 0.7, Path("x"), drift_percent_per_year=4.0, age_s=2.0 * year_s
    )
    # The plan has the drift of two years in it. One more year makes three.
    percent = math.hypot(0.7, 8.0)
    assert made.percent_after(percent, 0.0) == pytest.approx(percent)
    assert made.percent_after(percent, year_s) == pytest.approx(math.hypot(0.7, 12.0))


# ------------------------------------------------------------------ the check cell


SURE = StandardUncertainties(
    cell_constant_percent=1.0,
    offset_us=0.0,
    lead_resistance_ohm=0.0,
    conductance_percent=0.0,
    temperature_k=0.0,
    linear_percent_per_k=0.3,
    method_percent_per_k=2.0,
    method_above_percent_per_k=2.0,
    factor_percent=5.0,
    smallest_ppm=1.0,
)
CHAIN = MeasuringChain(Cell(0.1), Compensation(Method.LINEAR), 0.5, SURE)


def test_what_two_cells_share_is_no_part_of_their_own_uncertainty() -> None:
    # 1 % of 20 ppm for the constant, with a coverage factor of 3. Method, coefficient and factor are shared.
    assert own_uncertainty_ppm(CHAIN, measure(CHAIN, 400.0, 25.0)) == pytest.approx(0.6)
    assert own_uncertainty_ppm(CHAIN, measure(CHAIN, 280.0, 10.0)) == pytest.approx(0.6)


@pytest.mark.parametrize(
    ("check_us", "disagree"), [(416.0, False), (418.0, True), (384.0, False), (382.0, True)]
)
def test_two_cells_disagree_beyond_three_standard_uncertainties_of_their_difference(
    check_us: float, disagree: bool
) -> None:
    # 0.6 ppm each: 0.85 ppm together, which is 17 µS.
    product, check = measure(CHAIN, 400.0, 25.0), measure(CHAIN, check_us, 25.0)
    assert compare(Ratio(), (CHAIN, product), (CHAIN, check))[1] is disagree


def test_values_that_differ_by_less_than_a_fifth_of_a_ppm_always_agree() -> None:
    known = Ratio((0.1, 0.1), 1.0)
    for check_us, disagree in ((5.9, False), (6.1, True)):
        product, check = measure(CHAIN, 2.0, 25.0), measure(CHAIN, check_us, 25.0)
        assert compare(known, (CHAIN, product), (CHAIN, check))[1] is disagree


def test_a_difference_of_exactly_a_fifth_of_a_ppm_is_no_evidence() -> None:
    exact = replace(CHAIN, uncertainties=replace(SURE, cell_constant_percent=0.0))
    product, check = (
        (exact, replace(measure(exact, 10.0, 25.0), dissolved_solids_ppm=ppm)) for ppm in (0.2, 0.4)
    )
    assert own_uncertainty_ppm(*product) == 0.0
    assert compare(Ratio((0.1, 0.1), 1.0), product, check)[1] is False


def test_a_usual_ratio_is_the_median_of_its_first_comparisons_and_a_step_of_a_tenth_is_a_change() -> None:
    wide = replace(CHAIN, uncertainties=replace(SURE, cell_constant_percent=30.0))
    ratio = Ratio()
    product = measure(wide, 400.0, 25.0)
    for number in range(LEARNED):
        assert ratio.usual is None
        check = measure(wide, 400.0 * (1.2 if number % 2 else 1.1), 25.0)
        ratio, disagree = compare(ratio, (wide, product), (wide, check))
        assert not disagree
    assert (ratio.constants_per_cm, ratio.seen) == ((0.1, 0.1), ())
    assert ratio.usual == pytest.approx(1.15)
    for change, stepped in ((1.09, False), (1.12, True), (0.92, False), (0.9, True)):
        check = measure(wide, 400.0 * 1.15 * change, 25.0)
        assert compare(ratio, (wide, product), (wide, check)) == (ratio, stepped)
    dry = measure(wide, 0.0, 25.0)
    assert compare(ratio, (wide, product), (wide, dry)) == (ratio, True), "a dry cell has no ratio"


def test_a_dry_cell_teaches_no_ratio_and_pure_water_of_less_than_a_ppm_does() -> None:
    pure, dry = measure(CHAIN, 16.0, 25.0), measure(CHAIN, 0.0, 25.0)
    assert pure.dissolved_solids_ppm == pytest.approx(0.8)
    assert compare(Ratio(), (CHAIN, pure), (CHAIN, pure)) == (Ratio((0.1, 0.1), None, (1.0,)), False)
    for product, check in ((dry, pure), (pure, dry), (dry, dry)):
        assert compare(Ratio(), (CHAIN, product), (CHAIN, check))[0] == Ratio()


def test_the_vote_takes_the_worse_value_with_its_guard_band() -> None:
    uncertain = replace(CHAIN, uncertainties=replace(SURE, cell_constant_percent=20.0))
    low, high = measure(uncertain, 390.0, 25.0), measure(CHAIN, 400.0, 25.0)
    assert vote(low, high).ppm == low.dissolved_solids_ppm
    assert vote(low, high).band_ppm == low.expanded_uncertainty_ppm
    assert vote(low, None).band_ppm == 0.0


# ------------------------------------------------------------------ the flow meter


RATE_L_S = 0.1
SLACK_L = MARGIN * RATE_L_S * SLACK_S + 0.002
"""Five seconds of one and a half times the greatest flow, and two pulses of a millilitre."""


def taken(meter: FlowMeter, pulses: int, now: float) -> tuple[FlowMeter, float | None]:
    return count(meter, pulses, now, 0.001, RATE_L_S, 100.0)


def test_the_first_count_of_all_is_no_water() -> None:
    meter, litres = taken(FlowMeter(), 123_456, 10.0)
    assert litres == 0.0
    assert (meter.pulses, meter.at) == (123_456, 10.0)
    assert meter.credit_l == pytest.approx(SLACK_L)
    assert meter.caught_up
    assert not FlowMeter(5).caught_up
    assert not FlowMeter().caught_up


@pytest.mark.parametrize(("elapsed_s", "most_s"), [(0.0, 0.0), (10.0, 10.0), (60.0, 60.0), (600.0, 60.0)])
def test_a_count_is_used_up_to_what_can_have_flowed(elapsed_s: float, most_s: float) -> None:
    most = round(1000.0 * (SLACK_L + MARGIN * RATE_L_S * most_s))
    meter = FlowMeter(0, 10.0, SLACK_L)
    used, litres = taken(meter, most - 1, 10.0 + elapsed_s)
    assert litres == pytest.approx(0.001 * (most - 1))
    assert used.credit_l == pytest.approx(0.001, abs=1e-6)
    doubted, nothing = taken(meter, most + 1, 10.0 + elapsed_s)
    assert nothing is None
    assert (doubted.pulses, doubted.doubted, doubted.run) == (0, most + 1, 1)
    assert UNDOUBTED_S == 60.0


def test_a_quiet_minute_is_no_credit_for_a_later_moment() -> None:
    meter, _ = taken(FlowMeter(0, 10.0, SLACK_L), 0, 70.0)
    used, litres = taken(meter, round(1000.0 * SLACK_L), 70.1)
    assert litres is not None
    doubted, nothing = taken(meter, round(1000.0 * (SLACK_L + 1.0)), 70.1)
    assert nothing is None
    assert used.pulses != doubted.pulses == 0


def test_an_impossible_count_is_shown_at_once_and_one_that_is_only_much_is_not() -> None:
    meter = FlowMeter(0, 10.0, SLACK_L)
    # Ten minutes at one and a half times the greatest flow bring 90 L.
    for litres, shown in ((80.0, False), (200.0, True)):
        doubted, nothing = taken(meter, round(1000.0 * litres), 610.0)
        assert nothing is None
        assert doubted.failing(610.0) is shown


def test_a_count_after_a_gap_convinces_if_so_much_can_have_flowed_in_it() -> None:
    for litres, possible in ((SLACK_L + 0.15 * 600.0 - 0.01, True), (SLACK_L + 0.15 * 600.0 + 0.1, False)):
        meter = FlowMeter(0, 10.0, SLACK_L)
        for number in range(CONVINCING_RUN):
            meter, found = taken(meter, round(1000 * litres), 610.0 + 0.1 * number)
            assert (found is None) is (number < CONVINCING_RUN - 1)
        assert found is not None
        assert found == pytest.approx(litres if possible else 0.0, abs=0.01)
        assert meter.failing(610.3) is not possible
        assert meter.pulses == round(1000 * litres)


def test_doubted_counts_go_on_from_each_other_by_what_can_flow_between_them() -> None:
    for per_reading_l, convinces in ((2.2, True), (2.3, False)):
        meter = FlowMeter(0, 10.0, SLACK_L)
        for number in range(CONVINCING_RUN):
            # Ten seconds bring 1.5 L, beside the slack.
            litres = 80.0 + per_reading_l * number
            meter, found = taken(meter, round(1000.0 * litres), 610.0 + 10.0 * number)
        assert (found is not None) is convinces


def test_doubted_counts_that_do_not_go_on_from_each_other_convince_nobody() -> None:
    meter = FlowMeter(0, 10.0, SLACK_L)
    for number in range(20):
        meter, found = taken(meter, 1_000_000 * (1 + number), 10.0 + number)
        assert found is None
        assert meter.run == 1
    assert meter.failing(29.0)
    assert meter.failing(29.0 + FAILURE_SHOWN_S - 0.01)
    assert not meter.failing(29.0 + FAILURE_SHOWN_S)
    # What was damaged is shown, and the sound count goes on.
    meter, found = taken(meter, 10, 100.0)
    assert found == pytest.approx(0.01)
    assert (meter.failed_at, meter.doubted) == (100.0, None)


def test_what_can_just_have_flowed_is_possible() -> None:
    """A flow of 2 L/s and pulses of a litre: 3 L a second and 17 L on top."""

    def found(meter: FlowMeter, *counts: tuple[int, float]) -> tuple[FlowMeter, float | None]:
        for pulses, now in counts:
            meter, litres = count(meter, pulses, now, 1.0, 2.0, 200.0)
        return meter, litres

    known, unseen = FlowMeter(0, 0.0, 17.0), FlowMeter(0)
    assert found(known, (20, 1.0))[1] == 20.0
    assert found(known, (21, 1.0))[1] is None
    assert found(known, (300, 1.0), (320, 2.0))[0].run == 2
    assert found(known, (300, 1.0), (321, 2.0))[0].run == 1
    for meter, most in ((known, 317), (unseen, 200)):
        possible, impossible = found(meter, (most, 100.0))[0], found(meter, (most + 1, 100.0))[0]
        assert (possible.failing(100.0), impossible.failing(100.0)) == (False, True)
        assert found(meter, *[(most, 100.0)] * 3)[1] == most
        assert found(meter, *[(most + 1, 100.0)] * 3)[1] == 0.0


def test_a_counter_that_began_again_is_read_from_zero() -> None:
    meter = FlowMeter(4_000_000, 10.0, SLACK_L)
    for number in range(CONVINCING_RUN):
        meter, found = taken(meter, 50 + number, 20.0)
    assert found == pytest.approx(0.052)
    assert not meter.failing(20.0)
    assert restarted(FlowMeter(77, 1.0, 0.5, 88, 2.0, 2, 3.0)) == FlowMeter(0, 1.0, 0.5, None, 2.0, 0, 3.0)
    assert restarted(FlowMeter()) == FlowMeter()


@pytest.mark.parametrize(("before", "ahead"), [(2**31 + 4, False), (2**31 + 5, True), (5 * 2**29, True)])
def test_a_counter_that_wraps_is_read_as_ahead_up_to_half_of_all_counts(before: int, ahead: bool) -> None:
    """From there on to 5, 5 and 5 pulses: too much water to be ahead, or a counter that began again."""
    meter = FlowMeter(before, 10.0, SLACK_L)
    for _ in range(CONVINCING_RUN):
        meter, found = taken(meter, 5, 20.0)
    assert found == pytest.approx(0.0 if ahead else 0.005)
    assert meter.failing(20.0) is ahead


def test_the_water_between_two_processes_is_at_most_what_one_fill_can_bring() -> None:
    for litres, counted_l in ((9.7, 9.7), (99.0, 99.0), (101.0, 0.0)):
        meter = FlowMeter(1000)
        for number in range(CONVINCING_RUN):
            meter, found = taken(meter, 1000 + round(1000 * litres), 50.0 + number)
            if found is not None:
                break
        assert found == pytest.approx(counted_l)
        assert meter.caught_up
    assert math.isfinite(meter.credit_l)
