"""The relay sends each record until the broker confirms it, and polls the log seldom."""

import asyncio
from collections import deque

import pytest

from bridge.daemon import process, relay
from bridge.errors import HubError
from bridge.history import senml
from bridge.history.outbox import Parcel
from bridge.history.records import EventRow, Stamp
from bridge.mqtt.topics import Layout, Publication
from tests.waiting import within

LAYOUT = Layout("garden", "Garden")


def parcel(number: int) -> Parcel:
    return Parcel(number, (EventRow(Stamp(1, number, 1000 * number), "", "e", f"event {number}"),))


class Kept:
    """A log with parcels, some of which come later."""

    def __init__(self, *parcels: Parcel) -> None:
        self.waiting = deque(parcels)
        self.quiet_s = 42.0
        self.looks = 0
        self.timeout_s: list[float] = []
        self.stir = asyncio.Event()
        self.idle = asyncio.Event()

    async def packs(self, count: int, root: str) -> list[tuple[Parcel, str]]:
        self.looks += 1
        return [(one, senml.pack(one.rows, root)) for one in list(self.waiting)[:count]]

    def acknowledge(self, one: Parcel) -> None:
        assert self.waiting.popleft() == one, "acknowledged in order, and once"

    async def entry_written(self, timeout_s: float) -> None:
        self.timeout_s.append(timeout_s)
        self.idle.set()
        await self.stir.wait()
        self.stir.clear()


class Hub:
    """A broker that sometimes refuses."""

    connected = True

    def __init__(self, refusals: int = 0) -> None:
        self.refusals = refusals
        self.sent: list[str] = []

    async def send(self, publication: Publication) -> None:
        if self.refusals:
            self.refusals -= 1
            raise HubError("The broker went away.")
        assert publication.qos == 1
        self.sent.append(publication.payload)


@pytest.fixture(autouse=True)
def no_waits(monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ("AWAY_S", "GATHER_S"):
        monkeypatch.setattr(relay, name, 0.0)
    monkeypatch.setattr(relay, "PER_S", 1e6)


async def idle(kept: Kept, hub: Hub) -> "asyncio.Task[None]":
    """Runs the relay until it is idle."""
    task = asyncio.create_task(process.carry(kept, hub, LAYOUT))  # type: ignore[arg-type]
    await within(kept.idle.wait(), "the relay never had nothing to do")
    return task


async def test_all_pending_records_are_sent_and_the_next_poll_is_when_the_log_says() -> None:
    kept, hub = Kept(*map(parcel, range(3))), Hub()
    task = await idle(kept, hub)
    assert [f"event {number}" in payload for number, payload in enumerate(hub.sent)] == [True] * 3
    assert (kept.looks, kept.timeout_s) == (1, [42.0]), "one look was enough"
    kept.idle.clear()
    kept.waiting.append(parcel(3))
    kept.quiet_s = 0.3
    kept.stir.set()
    await within(kept.idle.wait(), "the relay never had nothing to do")
    assert len(hub.sent) == 4
    assert kept.timeout_s[-1] == relay.LEAST_WAIT_S, "parcels of many reservoirs are looked for together"
    task.cancel()


async def test_more_records_than_one_batch_are_sent_without_a_wait() -> None:
    kept, hub = Kept(*map(parcel, range(2 * relay.AT_ONCE + 1))), Hub()
    task = await idle(kept, hub)
    assert len(hub.sent) == 2 * relay.AT_ONCE + 1
    assert kept.looks == 3
    task.cancel()


async def test_records_that_the_broker_refused_are_sent_again_at_once_and_in_order() -> None:
    kept, hub = Kept(*map(parcel, range(4))), Hub(refusals=2)
    task = await idle(kept, hub)
    assert [f"event {number}" in payload for number, payload in enumerate(hub.sent)] == [True] * 4
    assert kept.looks == 3
    task.cancel()
