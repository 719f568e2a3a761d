"""Carries the outbox to the hub's log: SenML packs, in order, QoS 1, at a bounded rate. Shell.

A parcel leaves the outbox only when the broker has acknowledged it; what breaks in between is sent again,
with the same times and values, so that whoever keeps it can drop what it has.
"""

import asyncio

from bridge.daemon.logbook import Logbook
from bridge.errors import HubError
from bridge.history.pace import full_pace, spend, wait_s
from bridge.mqtt.client import HubClient
from bridge.mqtt.topics import Layout, Publication

PER_S = 20.0
BURST = 20.0
AWAY_S = 1.0
"""How soon a broker that was away is looked for again."""
LEAST_WAIT_S = 5.0
"""Parcels of several reservoirs, which are due at different times, are looked for together..."""
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
        packs = await logbook.packs(AT_ONCE, layout.bridge)
        for parcel, payload in packs:
            await asyncio.sleep(wait_s(pace, loop.time()))
            if not await _sent(hub, Publication(records_topic(layout), payload, qos=1, retain=False)):
                break
            logbook.acknowledge(parcel)
            pace = spend(pace, 1, loop.time())
        else:
            if len(packs) < AT_ONCE:
                # These were all. The log knows when readings make the next one: nothing to look for before.
                await logbook.stirred(max(LEAST_WAIT_S, logbook.quiet_s))
                await asyncio.sleep(GATHER_S)


async def _sent(hub: HubClient, records: Publication) -> bool:
    try:
        await hub.send(records)
    except HubError:
        # The client tells of the broker's absence; the parcel stays where it is.
        await asyncio.sleep(AWAY_S)
        return False
    return True
