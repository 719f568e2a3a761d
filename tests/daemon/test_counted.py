"""The counted litres survive kills. The rig reports the true volume for comparison."""

import os
import random
import time
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path

import pytest

from bridge.daemon import saved_state
from bridge.demo import RESERVOIR, station
from bridge.guard.limits import Limits
from bridge.history.backup import state_of
from bridge.history.reader import Reader
from bridge.history.records import FillRow, Kind
from bridge.rig.scenario import DEMO
from bridge.station.inventory import begin
from tests.daemon.test_restart import CONFIG, Truths
from tests.running import started

KILLS = int(os.environ.get("CLEARWELL_KILLS", "6"))
"""The number of kills during fills. The whole campaign has 50."""
SPEED = 10.0


@pytest.fixture
def truths(tmp_path: Path) -> Iterator[Truths]:
    with started("rig", "--pty", tmp_path / "controller", "--json", "--speed", SPEED, "--level", 0.4) as rig:
        yield Truths(rig.lines())


def test_litres_are_counted_to_two_percent_over_kills_in_the_middle_of_a_fill(
    tmp_path: Path, truths: Truths
) -> None:
    """The controller also counts the litres that flow after the kill until the lease lapses."""
    text = CONFIG.format(broker=1, pty=tmp_path / "controller").replace(
        "[reservoir.barrel.guard]",
        "[reservoir.barrel.purifier]\nlitres_per_pulse = 0.002222222\nflow_max_l_min = 60\n"
        "[reservoir.barrel.guard]",
    )
    hub = text[text.index("[hub]") : text.index("[log]")]
    outbox = text[text.index("[log.outbox]") : text.index("[reservoir.barrel]")]
    config = tmp_path / "clearwell.toml"
    config.write_text(text.replace(hub, "").replace(outbox, ""))
    chance = random.Random(11)
    for _ in range(KILLS):
        with started("run", "--quiet", "--config", config) as run:
            assert truths.until("fill"), "no fill began"
            # The test needs a kill at a random time in the fill, so it has no event to await.
            time.sleep(chance.uniform(0.0, 3.0))
            assert not run.has_ended, f"the bridge ended by itself: {run.printed}"
        truths.until_shut()
    before_l = float(str(truths.newest["treated_l"]))
    with started("run", "--quiet", "--config", config) as run:
        assert truths.until("fill"), "no fill began"
        assert run.stop() == 0
    truths.until_shut()
    treated_l = float(str(truths.newest["treated_l"]))
    assert before_l > 0.3 * KILLS, "too little has flowed to show anything"
    database = tmp_path / "log.db"
    counters = state_of(database)[saved_state.accounts_key(RESERVOIR)]
    moment, plan = saved_state.Moment(0.0, time.time()), station(DEMO, "nowhere", Limits(), 0.5, 0.9)
    counted_l = saved_state.inventory(counters, begin(plan), plan.product, moment).load.treated_l
    day_l = saved_state.guard_state(None, counters, Limits(), moment).day_l
    with Reader(database) as reader:
        fills = [row for row in reader.events(0, 2**45, kinds=[Kind.FILL]) if isinstance(row, FillRow)]
    filled_l = sum(row.volume_l or 0.0 for row in fills)
    print(
        f"{KILLS} kills: {treated_l:.2f} L have flowed, {counted_l:.2f} L were counted, {day_l:.2f} L in the "
        f"day, {filled_l:.2f} L in {len(fills)} fills"
    )
    assert counted_l == pytest.approx(treated_l, rel=0.02)
    assert day_l == pytest.approx(treated_l, rel=0.02), "a kill is no way around the volume of a day"
    assert filled_l == pytest.approx(treated_l, rel=0.02)
    assert [row.end for row in fills] == ["interrupted"] * KILLS + ["stop"]
    for row, following in pairwise(fills):
        assert row.ended_ms is not None
        assert row.started_ms <= row.ended_ms <= following.started_ms
