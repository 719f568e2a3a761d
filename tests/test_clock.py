"""The virtual clock keeps the order of its timers. Both clocks call and cancel timers alike."""

import asyncio
import random
from functools import partial

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.clock import Backoff, Clock, LoopClock, Timer, VirtualClock
from bridge.errors import OutOfRangeError
from tests.waiting import within

SECONDS = st.floats(0.0, 1e6)


@given(st.lists(SECONDS), SECONDS)
def test_each_timer_is_called_at_its_own_time_and_in_order(dues: list[float], until: float) -> None:
    clock = VirtualClock()
    called: list[tuple[int, float]] = []
    for index, due in enumerate(dues):
        clock.call_at(due, lambda index=index: called.append((index, clock.monotonic())))  # type: ignore[misc]
    clock.advance_to(until)
    wanted = sorted((due, index) for index, due in enumerate(dues) if due <= until)
    assert called == [(index, due) for due, index in wanted]
    assert clock.monotonic() == until
    assert clock.next_due == min((due for due in dues if due > until), default=float("inf"))


@given(st.lists(SECONDS), SECONDS)
def test_skipped_timers_are_called_late_and_in_the_same_order(dues: list[float], until: float) -> None:
    clock = VirtualClock()
    called: list[tuple[int, float]] = []
    for index, due in enumerate(dues):
        clock.call_at(due, lambda index=index: called.append((index, clock.monotonic())))  # type: ignore[misc]
    clock.skip_to(until)
    assert called == []
    clock.run_due()
    wanted = sorted((due, index) for index, due in enumerate(dues) if due <= until)
    assert called == [(index, until) for _, index in wanted]


@given(st.lists(st.tuples(SECONDS, st.booleans())))
def test_a_cancelled_timer_is_never_called(dues: list[tuple[float, bool]]) -> None:
    clock = VirtualClock()
    called: list[int] = []
    timers = [clock.call_at(due, partial(called.append, index)) for index, (due, _) in enumerate(dues)]
    for timer, (_, cancelled) in zip(timers, dues, strict=True):
        if cancelled:
            timer.cancel()
            timer.cancel()
    clock.advance_to(1e6)
    assert sorted(called) == [index for index, (_, cancelled) in enumerate(dues) if not cancelled]


@given(st.lists(st.floats(0.0, 10.0), min_size=1, max_size=30))
def test_a_timer_may_set_the_next_one_and_cancel_another(waits: list[float]) -> None:
    clock = VirtualClock()
    left, called = list(waits), list[float]()
    never = clock.call_at(1e6, lambda: called.append(-1.0))

    def again() -> None:
        called.append(clock.monotonic())
        if left:
            clock.call_later(left.pop(0), again)
        else:
            never.cancel()

    clock.call_later(0.0, again)
    clock.advance_to(1e6)
    at, wanted = 0.0, [0.0]
    for wait in waits:
        at += wait
        wanted.append(at)
    assert called == wanted


def test_an_error_in_a_callback_is_raised_and_the_other_timers_stay() -> None:
    clock = VirtualClock()
    called: list[float] = []

    def fails() -> None:
        raise ArithmeticError("a fault")

    clock.call_at(1.0, fails)
    clock.call_at(2.0, lambda: called.append(clock.monotonic()))
    with pytest.raises(ArithmeticError):
        clock.advance_to(5.0)
    assert clock.monotonic() == 1.0
    clock.advance_to(5.0)
    assert called == [2.0]


def test_the_wall_clock_steps_without_moving_a_timer() -> None:
    clock = VirtualClock(100.0, wall_s=1_760_000_000.0)
    called: list[float] = []
    clock.call_later(10.0, lambda: called.append(clock.wall()))
    clock.step_wall(-3600.0)
    clock.advance_to(110.0)
    assert called == [1_760_000_010.0 - 3600.0]


def test_time_does_not_go_back() -> None:
    clock = VirtualClock(5.0)
    for move in (clock.advance_to, clock.skip_to):
        with pytest.raises(OutOfRangeError, match="cannot go back"):
            move(4.9)


async def _ended(clock: Clock, wait: "asyncio.Event") -> list[str]:
    """Sets three timers, cancels the last one, and returns the timers that were called."""
    called: list[str] = []
    timers: list[Timer] = [
        clock.call_later(0.02, wait.set),
        clock.call_at(clock.monotonic() + 0.01, lambda: called.append("second")),
        clock.call_later(0.0, lambda: called.append("first")),
        clock.call_later(0.005, lambda: called.append("never")),
    ]
    timers[-1].cancel()
    return called


async def test_the_clock_of_a_loop_calls_as_the_virtual_one_does() -> None:
    done = asyncio.Event()
    called = await _ended(LoopClock(asyncio.get_running_loop()), done)
    await within(done.wait())
    virtual = VirtualClock()
    expected = await _ended(virtual, asyncio.Event())
    virtual.advance_to(1.0)
    assert called == expected == ["first", "second"]


@given(st.floats(0.01, 10.0), st.floats(1.0, 1000.0), st.integers(1, 30))
def test_waits_double_up_to_their_bound_and_restart(first_s: float, factor: float, tries: int) -> None:
    waits = Backoff(first_s, first_s * factor)
    for index in range(tries):
        assert waits.wait_s() == pytest.approx(min(first_s * 2.0**index, first_s * factor))
    waits.reset()
    assert waits.wait_s() == first_s


@given(st.integers(), st.floats(0.0, 0.99))
def test_jitter_only_shortens_and_comes_from_its_seed(seed: int, jitter: float) -> None:
    plain = Backoff(1.0, 60.0)
    one, two = (Backoff(1.0, 60.0, jitter, random.Random(seed)) for _ in range(2))
    for _ in range(10):
        wait_s, bare_s = one.wait_s(), plain.wait_s()
        assert (1.0 - jitter) * bare_s <= wait_s <= bare_s
        assert wait_s == two.wait_s()


def test_work_longer_than_the_longest_wait_restarts_the_waits() -> None:
    waits = Backoff(1.0, 60.0)
    waits.wait_s()
    waits.lasted(60.0)
    assert waits.upcoming_s == 2.0
    waits.lasted(60.5)
    assert waits.upcoming_s == 1.0


@pytest.mark.parametrize(
    ("first_s", "longest_s", "jitter"), [(0.0, 1.0, 0.0), (2.0, 1.0, 0.0), (1.0, 2.0, 1.0)]
)
def test_waits_that_make_no_sense_are_refused(first_s: float, longest_s: float, jitter: float) -> None:
    with pytest.raises(OutOfRangeError, match="must be"):
        Backoff(first_s, longest_s, jitter)
