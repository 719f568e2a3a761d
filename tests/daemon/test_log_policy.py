"""The log policy decides which rows of a scan are stored, which are durable, and which survive a kill."""

import math
from collections.abc import Mapping
from dataclasses import replace
from itertools import pairwise

import pytest

from bridge.daemon import saved_state
from bridge.daemon.log_policy import COUNTERS_S, LogPolicy, Written
from bridge.daemon.rows import SAMPLER
from bridge.demo import HURRIED, RESERVOIR, station
from bridge.estimate.verdict import judge
from bridge.forecast import persistence
from bridge.forecast.learner import Learner
from bridge.guard.alarms import AlarmRecord, Status
from bridge.guard.commands import HandAccuracy, Hold, ReservoirSample, Retest
from bridge.guard.model import Assessment, Flow, Phase, Trip
from bridge.guard.state import GuardState, Latch, Latched, begin
from bridge.guard.step import step
from bridge.history.records import (
    CommandRow,
    EventRow,
    FillRow,
    ForecastRow,
    MinuteRow,
    ReadingRow,
    SampleRow,
    StateRow,
)
from bridge.protocol.messages import Reading
from bridge.purifier.cartridge import Load
from bridge.purifier.forecast import Interval
from bridge.rig.scenario import DEMO
from bridge.station import assess
from bridge.station.events import Level, StationEvent
from bridge.station.flow_meter import FlowMeter
from bridge.station.inventory import unmeasured
from bridge.station.station import Station, Turn
from bridge.station.view import Outlook
from bridge.tank.cover import Cover

PLAN = station(DEMO, "/dev/null", HURRIED, 0.5, 0.65)
WALL_S = 1_750_003_200.0
"""A full hour."""


def turn(
    at: float,
    state: GuardState,
    before: GuardState | None = None,
    *,
    reading: bool = True,
    pulses: int | None = None,
    treated_l: float = 0.0,
) -> Turn:
    accounts = replace(unmeasured(6.0), load=Load(treated_l, 0.1 * treated_l))
    memory = replace(assess.begin(PLAN, accounts), meter=FlowMeter(pulses))
    _, decision = step(PLAN.limits, begin(at), Assessment(), (), at)
    return Turn(at, reading, memory, None, before or state, state, replace(decision, events=()), None)


def kept(*written: Written) -> dict[str, StateRow]:
    """Return the saved values as a log would store them."""
    return {row.key: row for one in written for row in one.rows if isinstance(row, StateRow)}


def readings(*written: Written) -> list[ReadingRow]:
    return [row for one in written for row in one.rows if isinstance(row, ReadingRow)]


def fills(*written: Written) -> list[FillRow]:
    return [row for one in written for row in one.rows if isinstance(row, FillRow)]


def test_a_resting_reading_is_stored_once_a_minute_and_every_reading_counts_into_its_minute() -> None:
    policy, idle = LogPolicy([PLAN]), begin(0.0)
    written = [policy.turn(RESERVOIR, turn(float(s), idle), WALL_S + s) for s in range(180)]
    assert [row.stamp.utc_ms for row in readings(*written)] == [
        round(1000 * (WALL_S + s)) for s in (0, 60, 120)
    ]
    written.append(policy.turn(RESERVOIR, turn(180.0, idle, reading=False), WALL_S + 180.0))
    minutes = [row.bucket.count for one in written for row in one.rows if isinstance(row, MinuteRow)]
    assert minutes == [60, 60, 60], "the last is closed by time that passes without a reading"
    assert not any(one.durable for one in written)


def test_rows_of_one_moment_have_times_of_their_own() -> None:
    policy = LogPolicy([PLAN])
    rows = [policy.note("", "link-up", "The controller is heard.", 1.0, WALL_S).rows[-1] for _ in range(60)]
    times = [row.stamp.utc_ms for row in rows if isinstance(row, EventRow)]
    assert len(times) == 60
    assert times == sorted(set(times))
    assert times[-1] - times[0] < 2000, "they are not spread over a time in which they did not come"


def test_latched_state_is_durable_in_one_write_with_what_changed_it() -> None:
    policy, before = LogPolicy([PLAN]), begin(0.0)
    tripped = replace(before, latches=(Latch(Trip.OVERFLOW, 1.0),), phase=Phase.TRIPPED)
    written = policy.turn(RESERVOIR, turn(1.0, tripped, before), WALL_S)
    assert written.durable
    row = kept(written)[saved_state.latched_key(RESERVOIR)]
    back = saved_state.guard_state(row, None, PLAN.limits, saved_state.Moment(5.0, WALL_S + 4.0))
    (latch,) = back.latches
    assert latch.trip is Trip.OVERFLOW
    assert latch.at == pytest.approx(1.0, abs=0.01)
    again = policy.turn(RESERVOIR, turn(2.0, tripped), WALL_S + 1.0)
    assert saved_state.latched_key(RESERVOIR) not in kept(again), (
        "a state that did not change is not written again"
    )


def test_a_command_has_one_row_and_is_durable_accepted_or_refused() -> None:
    policy = LogPolicy([PLAN])
    before = begin(0.0)
    command = Hold(1.0, "hub", True)
    state, decision = step(PLAN.limits, before, Assessment(), (command,), 1.0)
    one = Turn(1.0, False, assess.begin(PLAN), None, before, state, decision, command)
    obeyed = policy.turn(RESERVOIR, one, WALL_S)
    rows = [row for row in obeyed.rows if isinstance(row, CommandRow)]
    assert [(row.sender, row.accepted) for row in rows] == [("hub", True)]
    assert obeyed.durable
    refused = policy.refused(RESERVOIR, "No such command.", "stranger", 2.0, WALL_S + 1.0)
    assert refused.durable
    assert [type(row) for row in refused.rows] == [CommandRow]


def test_a_sample_has_one_row_with_the_uncertainty_of_its_meter() -> None:
    policy, before = LogPolicy([PLAN]), begin(0.0)

    def written(command: ReservoirSample | Retest) -> list[SampleRow]:
        state, decision = step(PLAN.limits, before, Assessment(), (command,), 1.0)
        assert decision.replies[0].accepted
        one = Turn(1.0, False, assess.begin(PLAN), None, before, state, decision, command)
        rows = policy.turn(RESERVOIR, one, WALL_S).rows
        return [row for row in rows if isinstance(row, SampleRow)]

    (row,) = written(ReservoirSample(1.0, "hub", 6.0))
    # The usual meter is good to 2 % of a full scale of 1,000 ppm (common practice, no source).
    assert row.uncertainty_ppm == pytest.approx(20.0, rel=0.2)
    assert (
        row.verdict
        == judge(6.0, row.uncertainty_ppm, PLAN.identity.limit_ppm, PLAN.identity.target_ppm).value
    )
    assert (row.of, row.note) == ("reservoir", "sent by hub")
    (row,) = written(ReservoirSample(1.0, "page", 6.0, HandAccuracy("pen", 1.5, 2.0)))
    assert row.uncertainty_ppm == pytest.approx(5.0)
    assert (row.meter, row.meter_uncertainty_ppm) == ("pen", 3.0)
    (row,) = written(Retest(1.0, "page", 6.0, HandAccuracy("pen", 1.5, 2.0)))
    assert row.of == "product"
    assert row.uncertainty_ppm == pytest.approx(5.0)
    assert written(ReservoirSample(1.0, SAMPLER, 6.0, HandAccuracy("pen", 1.5, 2.0))) == []


def test_while_water_flows_the_counters_are_stored_every_few_seconds() -> None:
    policy = LogPolicy([PLAN])
    filling = replace(begin(0.0), phase=Phase.FILL, flow=Flow.TO_RESERVOIR)
    stored = []
    for s in range(60):
        one = policy.turn(RESERVOIR, turn(float(s), filling, pulses=450 * s, treated_l=float(s)), WALL_S + s)
        if saved_state.accounts_key(RESERVOIR) in kept(one):
            stored.append(s)
    assert max(b - a for a, b in zip([0, *stored], [*stored, 60], strict=True)) <= 5


def killed_while_filling(policy: LogPolicy, until_s: int) -> Mapping[str, StateRow]:
    """Return the saved values of a process that was killed some seconds after the start of a fill."""
    idle = begin(0.0)
    filling = replace(idle, phase=Phase.FILL, flow=Flow.TO_RESERVOIR)
    written = [policy.turn(RESERVOIR, turn(0.0, filling, idle, pulses=0), WALL_S)]
    for s in range(1, until_s):
        fill = replace(filling.fill, volume_l=float(s))
        now = replace(filling, fill=fill)
        written.append(
            policy.turn(RESERVOIR, turn(float(s), now, pulses=450 * s, treated_l=float(s)), WALL_S + s)
        )
    assert not fills(*written)
    return kept(*written)


def test_after_a_kill_in_a_fill_counting_goes_on_from_the_counter_of_the_controller() -> None:
    state = killed_while_filling(LogPolicy([PLAN]), 40)
    policy = LogPolicy([PLAN], 2, round(1000 * (WALL_S + 40)), state)
    restored = policy.restored(PLAN, 3.0, WALL_S + 60.0)
    assert restored.known
    saved_at = restored.accounts.load.treated_l
    assert 34.0 <= saved_at <= 39.0
    assert restored.accounts.pulses == 450 * saved_at
    assert assess.begin(PLAN, restored.accounts).pulses == 450 * saved_at
    assert restored.state.day_l == pytest.approx(saved_at)


def test_the_id_of_the_controller_is_known_after_a_restart() -> None:
    policy = LogPolicy([PLAN])
    seen = turn(1.0, begin(0.0))
    greeted = replace(seen, memory=replace(seen.memory, controller="board-1"))
    state = kept(policy.turn(RESERVOIR, greeted, WALL_S))
    restored = LogPolicy([PLAN], 2, 0, state).restored(PLAN, 3.0, WALL_S + 60.0)
    assert restored.accounts.controller == "board-1"
    assert assess.begin(PLAN, restored.accounts).controller == "board-1"


def test_a_fill_that_a_kill_cut_off_gets_its_row_with_its_true_end() -> None:
    state = killed_while_filling(LogPolicy([PLAN]), 40)
    policy = LogPolicy([PLAN], 2, round(1000 * (WALL_S + 40)), state)
    started = policy.begin(3.0, WALL_S + 3600.0)
    assert not fills(started), "the controller may have counted more"
    restored = policy.restored(PLAN, 3.0, WALL_S + 3600.0)
    pulses = restored.accounts.pulses
    waits = turn(3.5, restored.state, reading=False, pulses=pulses)
    tick = policy.turn(RESERVOIR, waits, WALL_S + 3600.5)
    assert not fills(tick)
    counted = replace(restored.state, catching_up=False, throughput_l=1.5)
    reading = policy.turn(RESERVOIR, turn(4.0, counted, restored.state, pulses=450 * 40), WALL_S + 3601.0)
    (fill,) = fills(reading)
    assert (fill.end, fill.started_ms) == ("interrupted", round(1000 * WALL_S))
    assert fill.ended_ms is not None
    assert WALL_S + 34 <= fill.ended_ms / 1000 <= WALL_S + 40 + PLAN.limits.lease_s
    stored = saved_state.running_fill(state[saved_state.accounts_key(RESERVOIR)])
    assert stored is not None
    assert stored.volume_l is not None
    assert fill.volume_l == pytest.approx(stored.volume_l + 1.5), "with the inflow after the last counters"
    waiting = LogPolicy([PLAN], 3, round(1000 * (WALL_S + 3600)), {**state, **kept(started, tick)})
    waiting.begin(1.0, WALL_S + 3700.0)
    late = waiting.restored(PLAN, 1.0, WALL_S + 3700.0).state
    late = replace(late, catching_up=False, throughput_l=1.5)
    assert fills(waiting.turn(RESERVOIR, turn(2.0, late), WALL_S + 3701.0)), "a second kill does not lose it"
    again = LogPolicy([PLAN], 3, round(1000 * (WALL_S + 3600)), {**state, **kept(started, tick, reading)})
    again.begin(1.0, WALL_S + 3700.0)
    last = again.turn(RESERVOIR, turn(2.0, counted), WALL_S + 3701.0)
    assert not fills(last), "it has one row only"


def test_the_inflow_between_the_last_counters_and_a_kill_counts_into_the_day() -> None:
    state = killed_while_filling(LogPolicy([PLAN]), 40)
    restored = LogPolicy([PLAN], 2, 0, state).restored(PLAN, 3.0, WALL_S + 60.0)
    stored = restored.accounts.pulses
    assert stored is not None
    station = Station(
        PLAN,
        send=lambda message: True,
        next_sequence=lambda: 0,
        now=3.0,
        state=restored.state,
        accounts=restored.accounts,
    )
    station.tick(3.5)
    assert station.state.day_l == restored.state.day_l
    for number, more_l in ((1, 5.0), (2, 5.0), (3, 6.0), (4, 6.0)):
        reading = Reading(number, Flow.SHUT, pulses=stored + round(450 * more_l))
        station.receive(reading, 4.0 + number)
        assert station.state.day_l == pytest.approx(restored.state.day_l + more_l), "once, and only that"


def test_a_stop_ends_open_fills_and_minutes() -> None:
    policy = LogPolicy([PLAN])
    state = killed_while_filling(policy, 20)
    stopped = policy.stop(20.0, WALL_S + 20.0)
    assert [row.end for row in fills(stopped)] == ["stop"]
    assert [row.bucket.count for row in stopped.rows if isinstance(row, MinuteRow)] == [20]
    assert isinstance(stopped.rows[-1], EventRow)
    assert stopped.durable
    later = LogPolicy([PLAN], 2, 0, {**state, **kept(stopped)})
    assert not fills(later.begin(1.0, WALL_S + 60.0))


def test_state_that_cannot_be_read_holds_filling() -> None:
    for complete, state in (
        (False, {}),
        (True, {saved_state.latched_key(RESERVOIR): StateRow(saved_state.latched_key(RESERVOIR), 1, "{")}),
        (
            True,
            {saved_state.accounts_key(RESERVOIR): StateRow(saved_state.accounts_key(RESERVOIR), 99, "{}")},
        ),
    ):
        restored = LogPolicy([PLAN], state=state, complete=complete).restored(PLAN, 1.0, WALL_S)
        assert (restored.known, restored.state.hold) == (False, True)


def test_every_change_of_what_latches_is_saved_before_anybody_is_told() -> None:
    before = begin(0.0)
    alarm = AlarmRecord(Trip.NO_RISE, Status.UNACKNOWLEDGED, 1.0)
    for after in (
        replace(before, hold=True),
        replace(before, alarms=(alarm,)),
        replace(before, latches=(Latch(Trip.NO_RISE, 1.0),)),
    ):
        for old, new in ((before, after), (after, before)):
            written = LogPolicy([PLAN]).turn(RESERVOIR, turn(1.0, new, old), WALL_S)
            assert written.durable
            row = kept(written)[saved_state.latched_key(RESERVOIR)]
            back = saved_state.guard_state(row, None, PLAN.limits, saved_state.Moment(1.0, WALL_S))
            assert (back.hold, len(back.alarms), len(back.latches)) == (
                new.hold,
                len(new.alarms),
                len(new.latches),
            )


def events(*written: Written) -> list[str]:
    return [row.event for one in written for row in one.rows if isinstance(row, EventRow)]


def test_a_start_is_an_event_on_the_disk() -> None:
    started = LogPolicy([PLAN]).begin(1.0, WALL_S)
    assert events(started) == ["bridge-started"]
    assert started.durable


def test_a_clock_that_was_set_is_an_event_before_the_row_that_shows_it() -> None:
    policy = LogPolicy([PLAN])
    policy.note("", "link-up", "The controller is connected.", 1.0, WALL_S)
    late = policy.note("", "link-down", "The controller is not connected.", 2.0, WALL_S + 600.0)
    assert events(late) == ["clock-step", "link-down"]
    times = [row.stamp.utc_ms for row in late.rows if isinstance(row, EventRow)]
    assert times == sorted(set(times))
    assert times[1] == pytest.approx(1000 * (WALL_S + 600.0), abs=10)


@pytest.mark.parametrize(("phase", "end"), [(Phase.IDLE, "full"), (Phase.TRIPPED, "trip")])
@pytest.mark.parametrize("has_volume", [True, False])
def test_a_fill_has_one_row_with_its_volume_and_the_cause_of_its_end(
    phase: Phase, end: str, has_volume: bool
) -> None:
    plan = replace(PLAN, identity=replace(PLAN.identity, has_volume=has_volume))
    policy, idle = LogPolicy([plan]), begin(0.0)
    filling = replace(idle, phase=Phase.FILL, flow=Flow.TO_RESERVOIR)
    began = policy.turn(RESERVOIR, turn(0.0, filling, idle), WALL_S)
    assert began.durable, "a fill that is not on the disk cannot be found after a kill"
    paused = replace(filling, phase=Phase.PAUSE, flow=Flow.SHUT, fill=replace(filling.fill, volume_l=7.5))
    assert not fills(policy.turn(RESERVOIR, turn(9.0, paused, filling), WALL_S + 9.0))
    ended = policy.turn(RESERVOIR, turn(60.0, replace(paused, phase=phase), paused), WALL_S + 60.0)
    (row,) = fills(ended)
    assert (row.end, row.volume_l) == (end, 7.5 if has_volume else None)
    assert row.started_ms == round(1000 * WALL_S)
    assert row.stamp.utc_ms == pytest.approx(1000 * (WALL_S + 60.0), abs=10)
    assert ended.durable
    assert saved_state.running_fill(kept(ended)[saved_state.accounts_key(RESERVOIR)]) is None
    assert not fills(policy.stop(61.0, WALL_S + 61.0)), "it has ended"


def test_an_interrupted_fill_that_nothing_counted_gets_its_row_at_the_start_and_once() -> None:
    plan = replace(PLAN, litres_per_pulse=None)
    state = killed_while_filling(LogPolicy([plan]), 40)
    began_ms = round(1000 * (WALL_S + 3600.0))
    broken = saved_state.accounts_key("broken")
    other = replace(plan, identity=replace(plan.identity, reservoir="broken"))
    policy = LogPolicy([other, plan], 2, began_ms, {**state, broken: StateRow(broken, 1, "{")})
    started = policy.begin(3.0, WALL_S + 3600.0)
    (row,) = fills(started)
    stored = saved_state.running_fill(state[saved_state.accounts_key(RESERVOIR)])
    assert stored is not None
    assert (row.end, row.volume_l) == ("interrupted", stored.volume_l)
    assert row.ended_ms == stored.seen_ms + round(1000 * plan.limits.lease_s)
    again = LogPolicy([plan], 3, began_ms + 60_000, {**state, **kept(started)})
    assert not fills(again.begin(1.0, WALL_S + 3660.0))


def test_a_stop_leaves_no_running_fill_for_the_next_start() -> None:
    policy = LogPolicy([PLAN])
    killed_while_filling(policy, 20)
    stopped = kept(policy.stop(20.0, WALL_S + 20.0))[saved_state.accounts_key(RESERVOIR)]
    assert saved_state.running_fill(stopped) is None
    assert saved_state.pulses(stopped) is not None, "the counters are kept"


def test_counters_at_rest_are_stored_once_a_minute_and_water_after_a_close_within_seconds() -> None:
    policy, idle = LogPolicy([PLAN]), begin(0.0)
    stored = []
    for s in range(300):
        litres = 0.1 * s if s >= 200 else 0.0
        one = turn(float(s), idle, pulses=round(450 * litres), treated_l=litres + 1e-6 * s)
        if saved_state.accounts_key(RESERVOIR) in kept(policy.turn(RESERVOIR, one, WALL_S + s)):
            stored.append(s)
    assert [s for s in stored if s < 200] == [0, 60, 120, 180]
    assert max(b - a for a, b in pairwise([s for s in stored if s >= 200])) <= COUNTERS_S


def test_counters_that_did_not_change_are_not_written_again() -> None:
    policy, idle = LogPolicy([PLAN]), begin(0.0)
    accounts = unmeasured(6.0)
    first = policy.counters(RESERVOIR, idle, accounts, 0.0, WALL_S)
    assert kept(first)
    assert not policy.counters(RESERVOIR, idle, accounts, 0.0, WALL_S).rows
    assert kept(policy.counters(RESERVOIR, idle, replace(accounts, load=Load(1.0, 0.1)), 0.0, WALL_S))


def test_an_event_that_has_a_row_of_another_kind_is_not_stored_twice() -> None:
    policy = LogPolicy([PLAN])
    plain = StationEvent(RESERVOIR, "link-up", Level.INFO, "The controller is connected.")
    assert events(policy.event(plain, 1.0, WALL_S)) == ["link-up"]
    for event in (
        replace(plain, guard=Latched(Trip.OVERFLOW, True)),
        replace(plain, id="command-obeyed"),
        replace(plain, id="command-refused"),
    ):
        assert policy.event(event, 1.0, WALL_S).rows == ()


def test_a_policy_without_readings_stores_neither_readings_nor_minutes() -> None:
    policy, idle = LogPolicy([PLAN], readings=False), begin(0.0)
    written = [policy.turn(RESERVOIR, turn(float(s), idle), WALL_S + s) for s in range(180)]
    assert not readings(*written)
    assert not [row for one in written for row in one.rows if isinstance(row, MinuteRow)]


def test_a_forecast_is_stored_when_its_figures_are_new_and_an_infinite_one_as_unknown() -> None:
    policy, learner = LogPolicy([PLAN]), Learner(PLAN)

    def stored(outlook: Outlook) -> list[ForecastRow]:
        learner.outlook = outlook
        rows = policy.learned(learner, 1.0, WALL_S).rows
        assert persistence.key(RESERVOIR) in [row.key for row in rows if isinstance(row, StateRow)]
        return [row for row in rows if isinstance(row, ForecastRow)]

    assert stored(Outlook()) == []
    (litres,) = stored(Outlook(litres_left=Interval(1234.56, 1100.0, 1300.0, 1000.0, math.inf)))
    assert (litres.left_l, litres.left_low_l, litres.left_high_l) == (1235.0, 1000.0, None)
    assert (litres.left_days, litres.cover_days) == (None, None)
    (days,) = stored(Outlook(days_left=Interval(40.0, 35.0, 45.0, 30.0, 60.0), order_now=True))
    assert (days.left_days, days.left_low_days, days.left_high_days) == (40.0, 30.0, 60.0)
    assert (days.order_now, days.left_l) == (True, None)
    (cover,) = stored(Outlook(cover=Cover(20.0, 9.5, 9.0, 10.0, 8.0, 11.0)))
    assert cover.cover_days == 9.5
    assert stored(Outlook(cover=Cover(20.0, 9.5, 9.0, 10.0, 8.0, 11.0))) == [], "nothing is new"
    assert cover.stamp.utc_ms == pytest.approx(1000 * WALL_S, abs=10)


def test_a_forecast_starts_from_its_saved_state() -> None:
    accounts = replace(unmeasured(6.0), load=Load(321.0, 32.0))
    learner = Learner(PLAN, load=accounts.load, feed_ppm=250.0, volume_l=88.0)
    state = kept(LogPolicy([PLAN]).learned(learner, 1.0, WALL_S))
    assert LogPolicy([PLAN], 2, 0, state).forecast(PLAN, accounts, ()).kept == learner.kept
    fresh = LogPolicy([PLAN]).forecast(PLAN, accounts, ()).kept
    assert (fresh.load, fresh.feed_ppm, fresh.volume_l) == (accounts.load, None, None)
