"""When the log's thread has its turn: no row waits longer than promised, and few wake-ups do that."""

import math

from hypothesis import example, given
from hypothesis import strategies as st

from bridge.history.rhythm import Rhythm

EVERY_S = 0.5
gaps = st.one_of(st.floats(0.0, 3.0), st.sampled_from([0.0, 0.02, 0.4, EVERY_S, 1.0, 60.0]))
dues = st.lists(st.floats(0.0, 30.0), max_size=6)


class Thread:
    """The log's thread in virtual time: it sleeps as the rhythm says, and each wake-up and turn is written
    down."""

    def __init__(self, arrivals: list[float], dues: list[float]) -> None:
        self.rhythm = Rhythm(EVERY_S)
        self.arrivals, self.dues = sorted(arrivals), sorted(dues)
        self.taken: list[tuple[float, float]] = []
        """When each row came, and when it was taken."""
        self.served: list[tuple[float, float]] = []
        """When each other thing was due, and when it had its turn."""
        self.wakes: list[float] = []
        self.now = 0.0

    def run(self) -> None:
        waiting: list[float] = []
        while self.arrivals or self.dues or waiting:
            due = self.dues[0] if self.dues else None
            wait_s = self.rhythm.wait_s(self.now, bool(waiting), due)
            if wait_s == 0.0:
                self.rhythm.turned(self.now, len(waiting))
                self.taken += [(came, self.now) for came in waiting]
                self.served += [(at, self.now) for at in self.dues if at <= self.now]
                self.dues = [at for at in self.dues if at > self.now]
                waiting = []
                continue
            until = math.inf if wait_s is None else self.now + wait_s
            if self.rhythm.rouses and self.arrivals:
                until = min(until, self.arrivals[0])
            assert until < math.inf, "a row waits and nobody will wake the thread"
            # The clock has a grain, and so has this one.
            self.now = max(until, math.nextafter(self.now, math.inf))
            self.wakes.append(self.now)
            waiting += [at for at in self.arrivals if at <= self.now]
            self.arrivals = [at for at in self.arrivals if at > self.now]


def times(gaps: list[float]) -> list[float]:
    at, out = 0.0, []
    for gap in gaps:
        at += gap
        out.append(at)
    return out


@given(st.lists(gaps, max_size=60), dues)
@example([0.0, 0.0, 0.49, 0.02], [])
@example([1.0, 0.3, 0.3, 0.3], [0.0])
def test_no_row_waits_longer_than_was_promised_and_nothing_is_late(
    gaps: list[float], dues: list[float]
) -> None:
    thread = Thread(times(gaps), dues)
    thread.run()
    assert len(thread.taken) == len(gaps)
    assert all(turn - came <= EVERY_S + 1e-9 for came, turn in thread.taken)
    assert all(0.0 <= turn - due <= 1e-9 for due, turn in thread.served)


def test_a_reading_a_second_wakes_the_thread_once_and_is_taken_at_once() -> None:
    thread = Thread([float(second) for second in range(1, 101)], [])
    thread.run()
    assert all(turn == came for came, turn in thread.taken)
    assert len(thread.wakes) == 100


def test_a_fast_stream_wakes_the_thread_twice_a_second_and_not_more() -> None:
    thread = Thread([n / 50.0 for n in range(1, 50 * 60)], [])
    thread.run()
    # Beside the first ones, before it is known to be fast.
    assert len(thread.wakes) <= 60 / EVERY_S + 3


def test_a_quiet_log_sleeps_until_something_is_due() -> None:
    rhythm = Rhythm(EVERY_S)
    rhythm.turned(100.0, 1)
    assert rhythm.wait_s(101.0, False, None) is None
    assert rhythm.rouses
    assert rhythm.wait_s(101.0, False, 160.0) == 59.0
    assert rhythm.rouses
