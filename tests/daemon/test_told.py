"""No subscriber receives a trip that a kill at that moment would lose."""

import asyncio
import json
import os
from pathlib import Path

import aiomqtt

from bridge.daemon import saved_state
from bridge.demo import BRIDGE_ID, RESERVOIR
from bridge.guard.limits import Limits
from bridge.history.backup import state_of
from bridge.history.reader import Reader
from bridge.history.records import AlarmChange, AlarmRow, Kind
from tests.brokers import Mosquitto
from tests.daemon.test_restart import CONFIG
from tests.running import Running, started
from tests.waiting import within

KILLS = int(os.environ.get("CLEARWELL_KILLS", "4"))
"""The number of kills at the receipt of a trip. The whole campaign has 50."""
TOPIC = f"homie/5/{BRIDGE_ID}-{RESERVOIR}/health"


async def test_a_trip_that_a_subscriber_receives_is_latched_after_a_kill_at_that_moment(
    tmp_path: Path, mosquitto: Mosquitto
) -> None:
    config = tmp_path / "clearwell.toml"
    config.write_text(CONFIG.format(broker=mosquitto.port, pty=tmp_path / "controller"))
    # A probe that falls dry at intervals latches a trip.
    faults = [f"--fault=probe-dry@{start}+20" for start in range(60, 30_000, 50)]
    database = tmp_path / "log.db"
    with started("rig", "--pty", tmp_path / "controller", "--speed", 10, *faults):
        for number in range(KILLS):
            async with aiomqtt.Client("127.0.0.1", mosquitto.port) as client:
                with started("run", "--quiet", "--config", config) as run:
                    await client.subscribe(f"{TOPIC}/trips", qos=0)
                    heard = await within(_killed_on_hearing(client, run), "no trip was reported")
            kept = state_of(database)[saved_state.latched_key(RESERVOIR)]
            state = saved_state.guard_state(kept, None, Limits(), saved_state.Moment(0.0, 0.0))
            assert {one.trip.value for one in state.latches} >= set(heard), "a trip was lost"
            with Reader(database) as reader:
                rows = list(reader.events(0, 2**45, kinds=[Kind.ALARM]))
            raised = [row for row in rows if isinstance(row, AlarmRow) and row.change is AlarmChange.RAISED]
            assert len(raised) > number, "a step of an alarm was lost"


async def _killed_on_hearing(client: aiomqtt.Client, run: Running) -> list[str]:
    """Reset the trip, then kill the bridge at the first message of a new trip."""
    resetting = asyncio.create_task(_reset_again_and_again(client))
    try:
        async for message in client.messages:
            trips = json.loads(bytes(message.payload).decode() or "[]")
            if message.retain:
                continue
            if not trips:
                resetting.cancel()
            elif resetting.cancelled():
                run.kill()
                return [str(trip) for trip in trips]
    finally:
        resetting.cancel()
    raise AssertionError("the broker went away")


async def _reset_again_and_again(client: aiomqtt.Client) -> None:
    """Reset repeatedly: a reset is refused while the cause is present, and no message reports its end."""
    while True:
        await client.publish(f"{TOPIC}/reset/set", "all", qos=1)
        await asyncio.sleep(0.5)
