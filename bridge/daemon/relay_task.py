"""The task that runs the relay of the outbox against a real log and a real broker. Shell."""

import asyncio
from typing import assert_never

from bridge.daemon.logbook import Logbook
from bridge.daemon.relay import Fetch, Pause, Relay, Send
from bridge.errors import HubError
from bridge.mqtt.client import HubClient
from bridge.mqtt.topics import Layout, Publication


def records_topic(layout: Layout) -> str:
    """Return the topic of the records. It is one topic, so that the broker keeps their order."""
    return f"clearwell/{layout.bridge}/records"


async def carry(logbook: Logbook, hub: HubClient, layout: Layout) -> None:
    """Send the parcels of the outbox until cancelled, whenever the broker is connected."""
    loop = asyncio.get_running_loop()
    relay = Relay(loop.time())
    while True:
        match relay.next(loop.time(), hub.connected):
            case Pause(seconds, until_entry=True):
                await logbook.entry_written(seconds)
            case Pause(seconds):
                await asyncio.sleep(seconds)
            case Fetch(count):
                packs = await logbook.packs(count, layout.bridge)
                relay.fetched(packs, logbook.quiet_s)
            case Send(parcel, payload):
                records = Publication(records_topic(layout), payload, qos=1, retain=False)
                acknowledged = await _sent(hub, records)
                if acknowledged:
                    logbook.acknowledge(parcel)
                relay.sent(acknowledged, loop.time())
            case other:
                assert_never(other)


async def _sent(hub: HubClient, records: Publication) -> bool:
    try:
        await hub.send(records)
    except HubError:
        # The client reports the lost connection; the parcel stays in the outbox.
        return False
    return True
