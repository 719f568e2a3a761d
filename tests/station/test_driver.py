"""The driver sends a lease or a close exactly when one is due, and times a controller that does not obey."""

import pytest

from bridge.guard.model import Flow
from bridge.protocol.messages import Close, FromBridge, Lease
from bridge.station.valve import OBEY_S, Driver

START = 100.0
LEASE_S = 6.0


class Line:
    """A driver and the messages that it has sent; the line can be down."""

    def __init__(self) -> None:
        self.sent: list[type[FromBridge]] = []
        self.is_up = True
        self.driver = Driver(self._send, lambda: 0, LEASE_S, START)

    def _send(self, message: FromBridge) -> bool:
        if self.is_up:
            self.sent.append(type(message))
        return self.is_up

    def drive(self, flow: Flow, now: float, seen: Flow | None = None) -> list[type[FromBridge]]:
        """Runs one scan with a report of this moment, and returns what it has sent."""
        self.sent.clear()
        self.driver.drive(flow, seen, None if seen is None else now, now)
        return list(self.sent)


def test_a_valve_that_is_open_at_the_start_is_closed_at_once_and_again() -> None:
    line = Line()
    assert line.drive(Flow.SHUT, START, seen=Flow.TO_RESERVOIR) == [Close]
    assert line.drive(Flow.SHUT, START + OBEY_S - 0.1, seen=Flow.TO_RESERVOIR) == []
    assert line.drive(Flow.SHUT, START + OBEY_S, seen=Flow.TO_RESERVOIR) == [Close]


def test_a_controller_disobeys_as_soon_as_it_has_reported_an_open_valve_for_the_whole_time() -> None:
    line = Line()
    line.drive(Flow.SHUT, START, seen=Flow.TO_RESERVOIR)
    assert not line.driver.disobeyed(Flow.TO_RESERVOIR, START + OBEY_S - 0.1)
    assert line.driver.disobeyed(Flow.TO_RESERVOIR, START + OBEY_S)
    assert not line.driver.disobeyed(Flow.SHUT, START + OBEY_S)


def test_a_report_from_before_the_close_is_no_disobedience() -> None:
    line = Line()
    assert line.drive(Flow.TO_RESERVOIR, START) == [Lease]
    assert line.drive(Flow.SHUT, START + 1.0, seen=Flow.TO_RESERVOIR) == [Close]
    assert not line.driver.disobeyed(Flow.TO_RESERVOIR, START + 1.0 + OBEY_S)


def test_a_lease_is_renewed_after_a_third_of_its_time_and_not_before() -> None:
    line = Line()
    sent = [(second, line.drive(Flow.TO_RESERVOIR, START + second)) for second in (0.0, 1.9, 2.0, 3.9, 4.0)]
    assert [second for second, messages in sent if messages == [Lease]] == [0.0, 2.0, 4.0]
    assert line.drive(Flow.TO_DRAIN, START + 4.1) == [Lease], "another path needs another lease"


@pytest.mark.parametrize("down_for_s", [0.5, 30.0])
def test_a_lease_that_the_line_did_not_take_is_sent_in_the_next_scan(down_for_s: float) -> None:
    line = Line()
    line.is_up = False
    assert line.drive(Flow.TO_RESERVOIR, START) == []
    line.is_up = True
    assert line.drive(Flow.TO_RESERVOIR, START + down_for_s) == [Lease]


def test_a_valve_that_is_reported_shut_gets_no_second_close() -> None:
    line = Line()
    line.drive(Flow.SHUT, START, seen=Flow.TO_RESERVOIR)
    assert line.drive(Flow.SHUT, START + OBEY_S, seen=Flow.SHUT) == []


def test_after_a_refusal_the_next_lease_waits() -> None:
    line = Line()
    line.driver.refused(START)
    assert line.drive(Flow.TO_RESERVOIR, START + OBEY_S - 0.1) == []
    assert line.drive(Flow.TO_RESERVOIR, START + OBEY_S) == [Lease]


@pytest.mark.parametrize(("granted_ms", "lease_ms"), [(3000, 3000), (60_000, 6000)])
def test_a_lease_is_as_long_as_wanted_and_as_granted_and_is_renewed_by_that(
    granted_ms: int, lease_ms: int
) -> None:
    sent: list[FromBridge] = []

    def send(message: FromBridge) -> bool:
        sent.append(message)
        return True

    driver = Driver(send, lambda: len(sent), LEASE_S, START)
    driver.greeted(granted_ms)
    for tenth in range(100):
        driver.drive(Flow.TO_RESERVOIR, Flow.TO_RESERVOIR, START + 0.1 * tenth, START + 0.1 * tenth)
    assert sent[0] == Lease(0, Flow.TO_RESERVOIR, lease_ms)
    # Ten seconds, and a renewal after each third of a lease.
    assert len(sent) == pytest.approx(10_000 * 3 / lease_ms, abs=1)


def test_a_hello_ends_the_wait_after_a_refusal_and_a_lost_lease_is_sent_again() -> None:
    line = Line()
    line.driver.refused(START)
    line.driver.greeted(10_000)
    assert line.drive(Flow.TO_RESERVOIR, START + 0.1) == [Lease]
    line.driver.forget()
    assert line.drive(Flow.TO_RESERVOIR, START + 0.2) == [Lease]
    line.driver.forget()
    assert line.drive(Flow.SHUT, START + 0.3, seen=Flow.SHUT) == [], "no lease runs that a close would end"


def test_before_the_first_report_a_shut_valve_needs_nothing_and_nothing_is_disobeyed() -> None:
    line = Line()
    assert line.drive(Flow.SHUT, START) == []
    assert not line.driver.disobeyed(None, None)
    line.drive(Flow.SHUT, START, seen=Flow.TO_RESERVOIR)
    assert not line.driver.disobeyed(Flow.TO_RESERVOIR, None)
    assert line.drive(Flow.TO_RESERVOIR, START + 1.0, seen=Flow.TO_RESERVOIR) == [Lease]
    assert not line.driver.disobeyed(Flow.TO_RESERVOIR, START + 100.0), "it may be open"
