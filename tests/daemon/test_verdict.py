"""Every face answers about the water that the plants get, and tells the evidence for it."""

import json
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager

import pytest

from bridge.daemon.keeper import Keeper
from bridge.demo import BRIDGE_ID, RESERVOIR, bridge, station
from bridge.display import Facts
from bridge.display.topics import bridges
from bridge.guard.commands import ReservoirSample
from bridge.guard.model import Flow, Phase
from bridge.mqtt.broker import MqttVersion
from bridge.rig.scenario import DEMO
from bridge.station.view import StationView
from bridge.units import DisplayUnits, SolidsUnit, TemperatureUnit, VolumeUnit
from tests.board import UNHURRIED, Board, filling, greeted, running
from tests.brokers import AnyBroker, Observe, Observer
from tests.daemon.test_keeper import Room
from tests.waiting import until

DEVICE = f"homie/5/{BRIDGE_ID}-{RESERVOIR}"
VERDICT = f"{DEVICE}/reservoir/verdict"
UNITS = DisplayUnits(VolumeUnit.LITRE, TemperatureUnit.CELSIUS, SolidsUnit.PPM)
STANDING_US = 900.0
"""About 57 ppm in the demo's cell."""


@pytest.fixture
def board() -> Iterator[Board]:
    one = Board()
    yield one
    one.close()


@asynccontextmanager
async def watered(
    board: Board, broker: AnyBroker, observe: Observe
) -> AsyncIterator[tuple[Keeper, Observer]]:
    """A daemon with this board, at a hub with one observer."""
    plan = bridge(
        station(DEMO, board.path, UNHURRIED, 0.5, 0.65), broker.host, broker.port, MqttVersion(broker.newest)
    )
    hub = await observe(broker)
    async with running(plan) as daemon:
        board.hello()
        await greeted(board)
        # The bridge describes itself after it has published the values; until then nobody can discover it.
        for device in (f"homie/5/{BRIDGE_ID}", DEVICE):
            await hub.has(f"{device}/$state", "ready")
        yield daemon.keepers[RESERVOIR], hub


def facts(hub: Observer) -> Facts:
    """What ``watch`` shows of the reservoir, from the hub alone."""
    (found,) = bridges(hub.kept, "homie", UNITS, {})
    (reservoir,) = found.reservoirs
    assert reservoir.facts is not None, reservoir.reason
    return reservoir.facts


async def shows(board: Board, hub: Observer, path: str, value: str, product_us: float = STANDING_US) -> None:
    """Send readings with a shut valve until the hub has this value."""
    await until(
        lambda: hub.kept.get(f"{DEVICE}/{path}") == value,
        f"{path} never was {value}",
        meanwhile=lambda: board.read(product_us, Flow.SHUT, 0.6),
    )


async def test_a_barrel_that_nobody_has_measured_is_assumed_on_every_face(
    board: Board, mosquitto: AnyBroker, observe: Observe
) -> None:
    async with watered(board, mosquitto, observe) as (_, hub):
        await shows(board, hub, "reservoir/basis", "assumed")
        await shows(board, hub, "product/state", "standing")
        assert hub.kept[f"{DEVICE}/product/verdict"] == "unknown"
        assert float(hub.kept[f"{DEVICE}/reservoir/uncertainty"]) >= 30.0
        shown = facts(hub)
        assert (shown.use.basis, shown.use.word[:8]) == ("assumed", "Assumed:")
        assert "by assumption" in shown.use.reason
        assert shown.reservoir.basis_words == "by assumption"


async def test_samples_decide_at_once_and_water_that_stands_over_the_limit_does_not(
    board: Board, mosquitto: AnyBroker, observe: Observe
) -> None:
    async with watered(board, mosquitto, observe) as (keeper, hub):
        await shows(board, hub, "product/state", "standing")
        assert float(hub.kept[f"{DEVICE}/product/ppm"]) > 50.0
        # No reading arrives from here on: each sample has its verdict before the next one.
        await hub.client.publish(f"{DEVICE}/reservoir/sample/set", "70")
        await hub.has(VERDICT, "unsuitable")
        assert facts(hub).use.word == "No"
        await hub.client.publish(f"{DEVICE}/reservoir/sample/set", "4")
        await hub.until(lambda seen: seen.kept.get(VERDICT) != "unsuitable", "a good sample changed nothing")
        await hub.has(f"{DEVICE}/reservoir/basis", "sample")
        verdicts = [payload for topic, payload in hub.seen if topic == VERDICT]
        assert verdicts[-1] in ("suitable", "marginal")
        shown = facts(hub)
        assert shown.use.word.startswith("Yes")
        assert "by the sample of 20" in shown.use.reason
        assert shown.product.state == "standing"
        assert keeper.station.state.flow is Flow.SHUT


async def test_a_trip_that_has_protected_a_good_barrel_says_yes_and_why_the_valve_is_shut(
    board: Board, mosquitto: AnyBroker, observe: Observe
) -> None:
    async with watered(board, mosquitto, observe) as (keeper, hub):
        await hub.client.publish(f"{DEVICE}/reservoir/sample/set", "4")
        await hub.has(f"{DEVICE}/reservoir/basis", "sample")
        await filling(board, keeper)
        await until(
            lambda: keeper.station.state.phase is Phase.TRIPPED,
            "bad product caused no trip",
            meanwhile=lambda: board.read(8000.0, keeper.station.state.flow),
        )
        await hub.until(
            lambda seen: "product-over-limit" in json.loads(seen.kept.get(f"{DEVICE}/health/trips", "[]")),
            "nobody was told of the trip",
        )
        shown = facts(hub)
        assert shown.use.word.startswith("Yes")
        assert "The valve is shut by a trip: The purified water is over its limit." in shown.use.reason
        assert shown.valve.why.startswith("Shut by a trip")


def test_a_sample_is_in_the_view_of_its_own_scan() -> None:
    room = Room()
    for _ in range(8):
        room.read(product_us=STANDING_US)

    def after(ppm: float) -> StationView:
        shown = len(room.views)
        now = room.clock.monotonic()
        assert room.keeper.command(ReservoirSample(now, "a person", ppm)) is None
        while room.disk:
            room.disk.pop(0)(True)
        assert len(room.views) > shown, "the sample has no view"
        return room.views[-1]

    bad = after(70.0)
    assert (bad.reservoir_verdict, bad.reservoir_basis) == ("unsuitable", "sample")
    assert bad.reservoir_over_limit_probability is not None
    assert bad.reservoir_over_limit_probability > 0.9
    good = after(4.0)
    assert good.reservoir_verdict in ("suitable", "marginal")
    assert good.reservoir_sampled is not None
    assert good.phase == "tripped"
