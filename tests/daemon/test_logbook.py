"""Readings that were held up come in a burst, and each still has a time of its own in the log."""

from pathlib import Path

from bridge.config.plan import LogPlan
from bridge.daemon.logbook import Logbook
from bridge.demo.rigged import HURRIED, RESERVOIR, station
from bridge.guard.model import Assessment
from bridge.guard.state import begin
from bridge.guard.step import step
from bridge.history.limits import LogSettings
from bridge.history.reader import Reader
from bridge.rig.scenario import DEMO
from bridge.station import assess
from bridge.station.station import Turn

BURST = 60


async def test_readings_of_a_burst_can_be_told_apart_by_their_times(tmp_path: Path) -> None:
    plan = station(DEMO, "/dev/null", HURRIED, 0.5, 0.65)
    log = tmp_path / "log.db"
    logbook = Logbook(LogPlan(log, LogSettings()), [plan], lambda trouble: None, lambda level: None)
    await logbook.open()
    state, decision = step(plan.limits, begin(0.0), Assessment(), (), 1.0)
    turn = Turn(1.0, True, assess.begin(plan), None, state, state, decision, None)
    for _ in range(BURST):
        logbook.turn(RESERVOIR, turn)
    await logbook.close()
    with Reader(log) as reader:
        start, end = reader.span_ms()
        times = [row.stamp.utc_ms for row in reader.readings(RESERVOIR, start, end + 1)]
    assert len(times) == BURST
    assert len(set(times)) == BURST
    assert times == sorted(times)
    assert times[-1] - times[0] < 2000, "a burst is not spread over a time in which it did not come"
