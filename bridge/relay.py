"""Carries the outbox to the hub's log: SenML packs, in order, QoS 1, at a bounded rate. Shell.

A parcel leaves the outbox only when the broker has acknowledged it; what breaks in between is sent again,
with the same times and values, so that whoever keeps it can drop what it has.
"""

import asyncio

from bridge.errors import HubError
from bridge.history import senml
from bridge.history.outbox import Parcel
from bridge.history.pace import full_pace, spend, wait_s
from bridge.hub.client import HubClient
from bridge.hub.topics import Layout, Publication
from bridge.logbook import Logbook

PER_S = 20.0
BURST = 20.0
AWAY_S = 1.0
"""How soon a broker that was away is looked for again."""
LOOK_EVERY_S = 5.0
"""Readings wait a minute for a full parcel, so they are not looked for with every one of them..."""
GATHER_S = 0.5
"""...and an entry is looked for this long after it came, with what came with it."""
AT_ONCE = 16


def records_topic(layout: Layout) -> str:
    """Where the records go: one topic, so that the broker keeps their order."""
    return f"clearwell/{layout.bridge}/records"


async def carry(logbook: Logbook, hub: HubClient, layout: Layout) -> None:
    """Send parcels as they come, until cancelled; the broker may come and go."""
    loop = asyncio.get_running_loop()
    pace = full_pace(PER_S, BURST, loop.time())
    while True:
        if not hub.connected:
            await asyncio.sleep(AWAY_S)
            continue
        parcels = await logbook.parcels(AT_ONCE)
        if not parcels:
            await logbook.stirred(LOOK_EVERY_S)
            await asyncio.sleep(GATHER_S)
        for parcel in parcels:
            await asyncio.sleep(wait_s(pace, loop.time()))
            if not await _sent(hub, layout, parcel):
                break
            logbook.acknowledge(parcel)
            pace = spend(pace, 1, loop.time())


async def _sent(hub: HubClient, layout: Layout, parcel: Parcel) -> bool:
    payload = senml.pack(parcel.rows, layout.bridge)
    try:
        await hub.send(Publication(records_topic(layout), payload, qos=1, retain=False))
    except HubError:
        # The client tells of the broker's absence; the parcel stays where it is.
        await asyncio.sleep(AWAY_S)
        return False
    return True
