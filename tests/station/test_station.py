"""One reservoir's scan sends the right commands to its controller at the right times, without a wire."""

from dataclasses import replace
from itertools import pairwise

import pytest

from bridge.daemon.rows import reading_row
from bridge.demo import HURRIED, station
from bridge.guard.commands import CartridgeChanged, HandAccuracy, Hold, ReservoirSample, Reset, Retest
from bridge.guard.model import Advisory, Flow, Phase, Trip
from bridge.guard.state import Latched
from bridge.history.records import ReadingRow, Stamp
from bridge.protocol.frame import Damaged, DamageReason
from bridge.protocol.messages import (
    BootReason,
    Close,
    Feature,
    FromBridge,
    Hello,
    Lease,
    LocalFault,
    Reading,
    Refusal,
)
from bridge.protocol.session import DownCause, LinkUp, down
from bridge.rig.scenario import DEMO
from bridge.station.events import StationEvent
from bridge.station.plan import StationPlan
from bridge.station.station import Station, Turn
from bridge.station.valve import OBEY_S
from bridge.station.view import StationView
from bridge.water.health import Health
from bridge.water.meter import HandMeter, MeterUnit

PLAN = station(DEMO, "nowhere", HURRIED, 0.5, 0.9)
HELLO = Hello(0, "board", "1.0", BootReason.POWER, 10_000, Feature.LEVEL_SENSOR)

DAMAGED = Damaged(DamageReason.CHECK, b"")


class Bench:
    """A station with a list as its wire, and a reading every tenth of a second."""

    def __init__(self, plan: StationPlan = PLAN) -> None:
        self.sent: list[FromBridge] = []
        self.events: list[StationEvent] = []
        self.turns: list[Turn] = []
        self.views: list[StationView] = []
        self.now = 100.0
        self.number = 0
        self.station = Station(
            plan,
            send=self._send,
            next_sequence=lambda: len(self.sent),
            now=self.now,
            on_turn=self._turned,
            on_event=self.events.append,
        )
        self.station.receive(LinkUp(), self.now)

    def _turned(self, turn: Turn) -> None:
        self.turns.append(turn)
        self.events += turn.events
        if turn.view is not None:
            self.views.append(turn.view)

    def _send(self, message: FromBridge) -> bool:
        self.sent.append(message)
        return True

    def read(
        self, product_us: float = 20.0, path: Flow | None = None, seconds: float = 0.1, **more: object
    ) -> list[FromBridge]:
        """Receive one reading, by default with the commanded path. Returns the station's messages."""
        self.now += seconds
        self.number += 1
        if path is None:
            path = self.station.state.flow
        reading = Reading(
            self.number, path, product_us=product_us, product_c=15.0 + 0.001 * self.number, feed_us=600.0,
            feed_c=15.0, level_sensor=0.3, switch_low=True, switch_full=False, switch_overflow=False,
            pulses=self.number,
        )  # fmt: skip
        before = len(self.sent)
        self.station.receive(replace(reading, **more), self.now)  # type: ignore[arg-type]
        return self.sent[before:]

    def fill(self) -> None:
        for _ in range(200):
            self.read()
            if self.station.state.phase is Phase.FILL:
                return
        raise AssertionError(f"no fill began: {self.station.decision}")


def test_a_lease_is_renewed_by_thirds_and_never_longer_than_the_controller_grants() -> None:
    patient = replace(HURRIED, lease_s=30.0, no_rise_after_s=500.0, fill_max_s=500.0)
    bench = Bench(replace(PLAN, limits=patient))
    bench.station.receive(HELLO, bench.now)
    bench.fill()
    leases = []
    for _ in range(300):
        leases += [(bench.now, said) for said in bench.read() if isinstance(said, Lease)]
    assert {said.duration_ms for _, said in leases} == {10_000}
    gaps = [after - before for (before, _), (after, _) in pairwise(leases)]
    assert gaps
    assert max(gaps) < 3.5


def test_a_refused_lease_is_asked_for_again_after_a_while_and_told_once() -> None:
    bench = Bench()
    bench.station.receive(HELLO, bench.now)
    bench.fill()
    asked = 0
    for _ in range(100):
        bench.station.receive(Refusal(bench.number, 0, "supply"), bench.now)
        asked += sum(isinstance(said, Lease) for said in bench.read(path=Flow.SHUT))
    assert asked <= 10.0 / OBEY_S + 1
    assert len([event for event in bench.events if event.id == "lease-refused"]) == 1


def test_a_valve_that_stays_open_is_told_to_close_again_and_raises_an_alarm() -> None:
    bench = Bench()
    bench.fill()
    bench.station.command(Hold(bench.now, "hub", True), bench.now)
    closes = 0
    for _ in range(60):
        closes += sum(isinstance(said, Close) for said in bench.read(path=Flow.TO_RESERVOIR))
    assert closes >= 2
    assert Advisory.CONTROLLER_FAULT in {record.alarm for record in bench.station.state.alarms}


def test_a_controller_that_restarts_by_itself_raises_an_alarm_and_an_asked_hello_does_not() -> None:
    bench = Bench()
    bench.station.receive(HELLO, bench.now)
    bench.station.receive(replace(HELLO, sequence=1), bench.now)
    bench.number = 1
    bench.read()
    assert [record.alarm for record in bench.station.state.alarms] == []
    bench.station.receive(replace(HELLO, boot=BootReason.WATCHDOG), bench.now)
    bench.number = 0
    bench.read()
    assert [record.alarm for record in bench.station.state.alarms] == [Advisory.CONTROLLER_RESTARTED]


def test_many_damaged_frames_raise_an_alarm_and_a_few_do_not() -> None:
    bench = Bench()
    for number in range(200):
        if number % 50 == 0:
            bench.station.receive(DAMAGED, bench.now)
        bench.read()
    assert Advisory.FRAMES_DAMAGED not in {record.alarm for record in bench.station.state.alarms}
    for _ in range(100):
        bench.station.receive(DAMAGED, bench.now)
        bench.read()
    assert Advisory.FRAMES_DAMAGED in {record.alarm for record in bench.station.state.alarms}


def test_commands_reach_the_accounts_and_are_answered() -> None:
    bench = Bench()
    for _ in range(20):
        bench.read(path=Flow.TO_RESERVOIR, pulses=bench.number * 300)
    assert bench.station.memory.inventory.load.treated_l > 0
    assert bench.station.command(ReservoirSample(bench.now, "hub", 12.0), bench.now) is None
    assert bench.views[-1].reservoir_ppm == pytest.approx(12.0, rel=0.01)
    for _ in range(200):
        bench.read(path=Flow.TO_RESERVOIR, pulses=bench.number * 300)
    # The level has not risen: a hose has burst, or the level sensor is stuck. The interval holds both.
    shown = bench.views[-1]
    assert shown.reservoir_ppm is not None
    assert shown.reservoir_uncertainty_ppm is not None
    assert shown.reservoir_ppm + shown.reservoir_uncertainty_ppm >= 12.0
    assert shown.reservoir_uncertainty_ppm > 2.0
    assert (bench.views[-1].purifier_treated_l or 0) > 100
    assert bench.station.command(CartridgeChanged(bench.now, "hub"), bench.now) is None
    bench.read(pulses=(bench.number - 1) * 300 + 450)
    assert round(bench.views[-1].purifier_treated_l or 0, 6) == 1.0
    refusal = bench.station.command(Reset(bench.now, "hub", Trip.OVERFLOW), bench.now)
    assert refusal == "overflow is not latched."


def test_a_turn_is_handed_on_whole_and_a_trip_is_told_in_plain_words() -> None:
    bench = Bench()
    bench.fill()
    assert [type(said) for said in bench.read(product_us=8000.0)] == [Close]
    turn = bench.turns[-1]
    assert turn.reading
    assert any(isinstance(event, Latched) and event.first_out for event in turn.decision.events)
    told = next(event for event in bench.events if event.id == "product-over-limit")
    assert told.sentence.startswith("First-out: The purified water is over its limit.")


def test_a_reading_is_logged_with_each_value_under_its_own_name() -> None:
    bench = Bench()
    bench.fill()
    bench.read()
    turn, stamp = bench.turns[-1], Stamp(1, 2, 3)
    picture, accounts = turn.picture, turn.memory.inventory
    assert picture is not None
    measured = picture.product.measurement
    assert measured is not None
    row = ReadingRow(
        stamp=stamp,
        reservoir=PLAN.identity.reservoir,
        conductance_us=measured.conductance_us,
        temperature_c=picture.assessment.temperature_c,
        conductivity_25_us_cm=measured.conductivity_25_us_cm,
        product_ppm=measured.dissolved_solids_ppm,
        uncertainty_ppm=measured.expanded_uncertainty_ppm,
        feed_ppm=picture.feed_ppm,
        volume_l=picture.level.volume_l,
        reservoir_ppm=picture.assessment.reservoir_ppm,
        throughput_l=accounts.load.treated_l,
        path=Flow.TO_RESERVOIR,
        health=Health.GOOD,
    )
    assert len(set(row.values)) == len(row.values)
    assert reading_row(PLAN, turn, stamp) == row


def test_the_value_of_a_failed_probe_is_no_term_of_a_mean() -> None:
    bench = Bench()
    for _ in range(20):
        bench.read()
    for product_us in (0.2, -5.0, 1e9):
        bench.read(product_us=product_us)
        row = reading_row(PLAN, bench.turns[-1], Stamp(1, 2, 3))
        assert (row.conductivity_25_us_cm, row.product_ppm, row.uncertainty_ppm) == (None, None, None)
        assert row.health is Health.FAILURE


def test_without_a_link_nothing_old_is_shown_as_live() -> None:
    bench = Bench()
    bench.read()
    assert bench.views[-1].product_state == "standing"
    bench.station.receive(down(DownCause.LOST, "port", "the cable is out"), bench.now)
    bench.station.tick(bench.now + 1.0)
    view = bench.views[-1]
    assert (view.product_state, view.volume_l, view.valve_reported, view.health) == (
        "failed", None, "unknown", "failure",
    )  # fmt: skip


def test_a_self_test_that_failed_keeps_the_valve_shut() -> None:
    bench = Bench()
    for _ in range(50):
        said = bench.read(faults=LocalFault.SELF_TEST)
        assert not any(isinstance(one, Lease) for one in said)


def test_one_impossible_conductance_shuts_the_valve_and_latches_nothing() -> None:
    bench = Bench()
    bench.fill()
    before = bench.station.view().reservoir_ppm or 0.0
    assert [type(said) for said in bench.read(product_us=1e9)] == [Close]
    assert bench.station.view().product_ppm is None
    for number in range(60):
        bench.read(level_sensor=0.3 + 0.001 * number)
    assert bench.station.state.latches == ()
    assert bench.station.state.phase is Phase.FILL
    assert (bench.station.view().reservoir_ppm or 0.0) < before + 0.5


def test_the_health_is_not_good_while_a_trip_is_latched() -> None:
    bench = Bench()
    bench.fill()
    bench.read(product_us=8000.0)
    for _ in range(20):
        bench.read()
    view = bench.station.view()
    assert view.latched_trips
    assert view.product_health == "good"
    assert view.health == "failure"


def test_a_retest_passes_only_with_the_uncertainty_of_its_meter() -> None:
    good = HandMeter("pen", MeterUnit.PPM, 1.0, percent_of_reading=2.0)
    for plan, most_ppm in ((PLAN, 26.0), (replace(PLAN, meter=good), 44.0)):
        bench = Bench(plan)
        assert bench.station.command(Retest(bench.now, "hub", most_ppm), bench.now) is None
        refusal = bench.station.command(Retest(bench.now, "hub", most_ppm + 1.5), bench.now)
        assert refusal is not None
        assert "does not show that the product is under the limit of 50 ppm" in refusal
    # The log names the meter of a sample, and may know it better than the plan.
    named = Retest(bench.now, "page", 49.0, HandAccuracy("lab", 0.1, 0.1))
    assert bench.station.command(named, bench.now) is None


def test_a_retest_counts_with_the_temperature_of_the_product_cell() -> None:
    # The compensation of a meter is a part of its uncertainty that grows with the distance from 25 °C.
    good = HandMeter("pen", MeterUnit.PPM, 1.0, percent_of_reading=2.0)

    def passes_at(celsius: float, ppm: float) -> bool:
        bench = Bench(replace(PLAN, meter=good))
        bench.read(product_c=celsius)
        return bench.station.command(Retest(bench.now, "hub", ppm), bench.now) is None

    # Without a temperature the same meter has to show less than about 44.5 ppm.
    assert passes_at(25.0, 47.5)
    assert not passes_at(5.0, 43.0)
    assert passes_at(5.0, 41.0)


def test_a_passed_retest_ends_the_doubt_about_exchanged_cells_and_a_failed_one_does_not() -> None:
    bench = Bench()
    for _ in range(150):
        bench.read(product_us=40.0)
    for _ in range(10):
        bench.read(product_us=600.0, feed_us=40.0)
    assert bench.station.view().product_health == "failure"
    for ppm, health in ((90.0, "failure"), (20.0, "good")):
        refusal = bench.station.command(Retest(bench.now, "hub", ppm), bench.now)
        assert (refusal is None) is (health == "good")
        bench.read(product_us=600.0, feed_us=40.0)
        assert bench.station.view().product_health == health
