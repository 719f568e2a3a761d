"""A station detects restarts and disobedience from the controller's frames, or from missing frames."""

from dataclasses import dataclass, field
from typing import Any

import pytest

from bridge.demo import station
from bridge.guard.alarms import Status
from bridge.guard.commands import ReservoirSample, StartFill
from bridge.guard.limits import Limits
from bridge.guard.model import Advisory, AlarmId, Flow, Phase
from bridge.protocol.messages import BootReason, Close, Feature, FromBridge, Hello, Lease, Reading
from bridge.protocol.session import DownCause, LinkUp, down
from bridge.rig.scenario import POLYTUNNEL_WITH_DRAIN
from bridge.station.station import Station

PLAN = station(POLYTUNNEL_WITH_DRAIN, "nowhere", Limits(has_drain=True), 0.5, 0.9)
GOOD = Reading(
    1, Flow.SHUT, product_us=40.0, product_c=15.0, feed_us=600.0, feed_c=15.0, level_sensor=0.5,
    switch_low=True, switch_full=False, switch_overflow=False, pulses=1000,
)  # fmt: skip


@dataclass
class Bench:
    """A station, and a controller that sends the frames of the test."""

    now: float = 100.0
    number: int = 0
    sent: list[FromBridge] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.station = Station(PLAN, send=self._send, next_sequence=lambda: 0, now=self.now)
        self.station.receive(LinkUp(), self.now)

    def _send(self, message: FromBridge) -> bool:
        self.sent.append(message)
        return True

    def hear(self, path: Flow, seconds: float = 1.0, **more: Any) -> None:
        """Receive a reading after these seconds. The product value varies, as real values do."""
        self.now += seconds
        self.number += 1
        product_us = 40.0 + 0.01 * (self.number % 7)
        self.station.receive(
            Reading(
                **{**_fields(GOOD), "sequence": self.number, "path": path, "product_us": product_us, **more}
            ),
            self.now,
        )

    def shows(self, alarm: AlarmId) -> bool:
        return any(
            one.alarm is alarm and one.status is not Status.NORMAL for one in self.station.state.alarms
        )

    def until_filling(self) -> None:
        for _ in range(5):
            self.hear(Flow.SHUT)
        assert self.station.command(StartFill(self.now, "test"), self.now) is None
        for _ in range(40):
            leased = [message for message in self.sent if isinstance(message, Lease)]
            self.hear(leased[-1].path if leased else Flow.SHUT)
            if self.station.state.phase is Phase.FILL:
                return
        raise AssertionError("the fill never began")


def _fields(reading: Reading) -> dict[str, object]:
    return {name: getattr(reading, name) for name in Reading.__slots__}


@pytest.fixture
def bench() -> Bench:
    return Bench()


def hello(number: int, boot: BootReason = BootReason.WATCHDOG) -> Hello:
    return Hello(number, "rig-1", "1.0.0", boot, 10_000, Feature.NONE)


def test_a_valve_seen_open_long_after_its_close_is_a_fault_of_the_controller(bench: Bench) -> None:
    bench.until_filling()
    bench.hear(Flow.TO_RESERVOIR, product_us=4000.0)
    assert isinstance(bench.sent[-1], Close)
    for _ in range(4):
        bench.hear(Flow.TO_RESERVOIR)
    assert bench.shows(Advisory.CONTROLLER_FAULT)


def test_a_frame_that_comes_late_and_shows_the_valve_shut_is_no_disobedience(bench: Bench) -> None:
    bench.until_filling()
    bench.hear(Flow.TO_RESERVOIR, product_us=4000.0)
    bench.hear(Flow.SHUT, seconds=2.5)
    assert not bench.shows(Advisory.CONTROLLER_FAULT)


def test_silence_after_a_close_is_a_lost_link_and_no_disobedience(bench: Bench) -> None:
    bench.until_filling()
    for _ in range(70):
        bench.now += 1.0
        bench.station.tick(bench.now)
    assert any(isinstance(message, Close) for message in bench.sent)
    assert not bench.shows(Advisory.CONTROLLER_FAULT)


def test_the_first_hello_of_all_is_no_restart(bench: Bench) -> None:
    bench.station.receive(hello(0, BootReason.POWER), bench.now)
    bench.hear(Flow.SHUT)
    assert not bench.shows(Advisory.CONTROLLER_RESTARTED)


def test_a_restart_is_noticed_though_its_hello_was_lost_with_the_line(bench: Bench) -> None:
    for _ in range(20):
        bench.hear(Flow.SHUT)
    bench.station.receive(down(DownCause.SILENT, "port", "3 s"), bench.now)
    bench.now += 8.0
    bench.station.receive(LinkUp(), bench.now)
    # The line was down while the controller restarted, so the first received frame has the number 3.
    bench.station.receive(hello(3), bench.now)
    bench.number = 3
    bench.hear(Flow.SHUT)
    assert bench.shows(Advisory.CONTROLLER_RESTARTED)


def test_an_interrupted_line_alone_is_no_restart(bench: Bench) -> None:
    for _ in range(20):
        bench.hear(Flow.SHUT)
    bench.station.receive(down(DownCause.SILENT, "port", "3 s"), bench.now)
    bench.now += 8.0
    bench.station.receive(LinkUp(), bench.now)
    bench.number += 60
    bench.station.receive(hello(bench.number), bench.now)
    bench.hear(Flow.SHUT)
    assert not bench.shows(Advisory.CONTROLLER_RESTARTED)


def test_a_sample_over_the_limit_shuts_the_valve_before_the_command_returns(bench: Bench) -> None:
    bench.until_filling()
    bench.sent.clear()
    assert bench.station.command(ReservoirSample(bench.now, "test", 90.0), bench.now) is None
    assert isinstance(bench.sent[-1], Close)
    assert bench.station.state.phase is Phase.TRIPPED
