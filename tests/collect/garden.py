"""A bridge with several simulated controllers, as one process that a test can kill.

``python -m tests.collect.garden FOLDER BRIDGE RESERVOIRS BROKER_PORT SPEED``. The folder holds the log and
the terminals. The log sends every stored reading.
"""

import asyncio
import sys
from dataclasses import replace
from pathlib import Path

from bridge.config.plan import BridgePlan, HubPlan, LogPlan
from bridge.daemon.process import Daemon
from bridge.demo import HURRIED, station
from bridge.history.waiting import LogSettings, OutboxSettings
from bridge.mqtt.broker import BrokerSettings
from bridge.mqtt.topics import Layout
from bridge.rig.pty import RigServer
from bridge.rig.scenario import DEMO
from bridge.rig.world import World
from tests.waiting import until


async def main(folder: Path, bridge: str, reservoirs: int, port: int, speed: float) -> None:
    stations, rigs = [], []
    for number in range(reservoirs):
        pty = folder / f"controller-{number}"
        rigs.append(RigServer(World(DEMO, seed=number), pty, speed))
        one = station(DEMO, str(pty), HURRIED, 0.5, 0.65)
        stations.append(replace(one, identity=replace(one.identity, reservoir=f"barrel-{number}")))
    serving = [asyncio.create_task(rig.run()) for rig in rigs]
    await until(lambda: all(rig.ready.is_set() for rig in rigs), "the controllers did not get ready")
    settings = LogSettings(raw_days=3660, outbox=OutboxSettings(every_s=0.0))
    plan = BridgePlan(
        tuple(stations),
        HubPlan(BrokerSettings("127.0.0.1", bridge, port), Layout(bridge, bridge), heartbeat_s=60.0),
        log=LogPlan(folder / "log.db", settings),
    )
    await Daemon(plan).run()
    for one_serving in serving:
        one_serving.cancel()
    await asyncio.gather(*serving, return_exceptions=True)


if __name__ == "__main__":
    words = sys.argv[1:]
    asyncio.run(main(Path(words[0]), words[1], int(words[2]), int(words[3]), float(words[4])))
