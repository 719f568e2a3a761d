"""Sequence numbers show repeated frames, which are no sign of life, as well as gaps and restarts."""

from collections.abc import Iterable

from hypothesis import given
from hypothesis import strategies as st

from bridge.guard.model import Flow
from bridge.protocol.messages import BootReason, Feature, Hello, Reading
from bridge.protocol.sequence import Arrival, Irregular, Track, follow, follow_message

number = st.integers(0, 65535)


def walk(numbers: Iterable[int]) -> tuple[Track, list[Arrival]]:
    track = Track()
    arrivals: list[Arrival] = []
    for n in numbers:
        track, arrival = follow(track, n)
        arrivals.append(arrival)
    return track, arrivals


def hello(n: int) -> Hello:
    return Hello(n, "tunnel-1", "1", BootReason.POWER, 5000, Feature.NONE)


@given(number, st.integers(2, 40))
def test_an_unbroken_row_is_fresh_across_the_wrap(start: int, length: int) -> None:
    track, arrivals = walk((start + i) % 65536 for i in range(length))
    assert arrivals == [Arrival.FIRST] + [Arrival.NEXT] * (length - 1)
    assert track.counted == Irregular()


@given(number, st.integers(1, 30000))
def test_a_gap_counts_what_was_lost_and_the_frame_is_fresh(start: int, missing: int) -> None:
    track, arrivals = walk([start, (start + 1 + missing) % 65536])
    assert arrivals[1] is Arrival.AFTER_GAP
    assert arrivals[1].fresh
    assert track.counted.lost == missing


@given(number, st.integers(1, 5))
def test_the_same_frame_again_is_stale_however_often(start: int, times: int) -> None:
    track, arrivals = walk([start] * (times + 1))
    assert not any(a.fresh for a in arrivals[1:])
    assert track.counted.duplicates == times


@given(number, st.integers(1, 30000))
def test_a_late_frame_is_stale_and_the_row_goes_on(start: int, late: int) -> None:
    track, arrivals = walk([start, (start - late) % 65536, (start + 1) % 65536])
    assert arrivals[1:] == [Arrival.LATE, Arrival.NEXT]
    assert track.counted.reordered == 1
    assert track.counted.lost == 0


def test_late_frames_that_do_not_follow_each_other_never_pass_for_a_restart() -> None:
    _, arrivals = walk([1000, 900, 902, 904, 906, 908, 910])
    assert arrivals[1:] == [Arrival.LATE] * 6


def test_late_frames_with_newer_ones_between_never_pass_for_a_restart() -> None:
    _, arrivals = walk([1000, 900, 1001, 901, 1002, 902, 1003, 903])
    assert [a.fresh for a in arrivals] == [True, False] * 4


def test_a_restart_whose_hello_was_lost_is_believed_after_three_frames_in_a_row() -> None:
    track, arrivals = walk([40000, 40001, 12000, 12001, 12002, 12003])
    assert arrivals[2:] == [Arrival.LATE, Arrival.LATE, Arrival.RESTARTED, Arrival.NEXT]
    assert track.counted.restarts == 1


@given(number)
def test_a_hello_with_number_zero_is_a_restart_from_anywhere(start: int) -> None:
    track, _ = follow(Track(), start)
    track, arrival = follow_message(track, hello(0))
    assert arrival is Arrival.RESTARTED
    track, arrival = follow_message(track, Reading(1, Flow.SHUT, 3.0, 20.0))
    assert arrival is Arrival.NEXT
    assert (track.counted.lost, track.counted.restarts) == (0, 1)


def test_a_hello_that_was_asked_for_is_no_restart() -> None:
    track, _ = follow(Track(), 812)
    track, arrival = follow_message(track, hello(813))
    assert arrival is Arrival.NEXT
    assert track.counted.restarts == 0


def test_half_of_all_numbers_ahead_is_a_gap_and_one_more_is_late() -> None:
    for step, arrival in ((32_767, Arrival.AFTER_GAP), (32_768, Arrival.LATE)):
        assert walk([100, 100 + step])[1][1] is arrival
