"""Values that cannot be: one damaged count or conductance costs no water, no trip and no balance.

The controller counts its litres and mixes its tank by itself; the bridge is compared with that.
"""

import signal

import pytest

from tests.strangers.stage import (
    HUB,
    HUNDREDTH,
    LITRES_A_PULSE,
    Hub,
    Stage,
    counts_every_pulse,
)

pytestmark = pytest.mark.needs("mosquitto", "gcc")


def trips_latched(hub: Hub) -> set[str]:
    """Returns every list of trips that the hub was ever shown."""
    return {payload for topic, payload in hub.seen if topic == f"{HUB}/health/trips"}


@pytest.mark.parametrize(
    "fault", ["torn 65536", "n-at-end", "torn -40"], ids=["65536 too many", "the last number", "40 too few"]
)
async def test_one_wrong_count_of_pulses_is_no_water(stage: Stage, hub: Hub, fault: str) -> None:
    await stage.set_up("tank=117")
    controller = stage.controller
    with stage.daemon():
        await controller.first("open", path="fill")
        await hub.has(f"{HUB}/fill/phase", "fill")
        await controller.told(fault)
        await controller.first("shut", failure="the fill did not end")
        await hub.has(f"{HUB}/fill/phase", "idle")
        await counts_every_pulse(hub, controller)
        await hub.until(
            lambda seen: abs(float(seen.kept[f"{HUB}/fill/volume-today"]) - controller.openings_l()) <= 0.5,
            "the volume of the day is not the water that flowed",
        )
        assert trips_latched(hub) == {"[]"}
        assert {"$alert/flow-meter-failure"} & {topic.removeprefix(f"{HUB}/") for topic, _ in hub.seen}, (
            "nobody is told that the meter miscounts"
        )
        await stage.checker.finds_no_deviation()


@pytest.mark.parametrize("fault", ["huge", "err-beside"], ids=["out of range", "a number beside err=2"])
async def test_one_impossible_conductance_shuts_and_is_no_value(stage: Stage, hub: Hub, fault: str) -> None:
    await stage.set_up("tank=117")
    controller = stage.controller
    with stage.daemon():
        opened = await controller.first("open", path="fill")
        await hub.has(f"{HUB}/fill/phase", "fill")
        wrong = await controller.told(fault)
        shut = await controller.first("shut", since=wrong)
        assert shut["cause"] == "close", "the valve stayed open over a value that cannot be"
        await controller.first("open", since=opened["t"] + 1e-6, failure="the fill did not go on")
        await controller.first("shut", since=shut["t"] + 1e-6, failure="the fill did not end")
        await hub.has(f"{HUB}/fill/phase", "idle")
        truth = await controller.truth()
        shown = [float(payload) for topic, payload in hub.seen if topic == f"{HUB}/reservoir/ppm" and payload]
        assert max(shown) <= truth["tank_ppm"] + 1, "one impossible value is a term of the balance"
        assert trips_latched(hub) == {"[]"}
        assert abs(truth["pulses"] * LITRES_A_PULSE - controller.openings_l()) <= LITRES_A_PULSE + HUNDREDTH
        await stage.checker.finds_no_deviation()


async def test_plugs_of_feed_and_product_that_change_places_shut_the_valve(stage: Stage, hub: Hub) -> None:
    """Each cell is then measured with the other's constant, so 300 ppm of feed read as 30 ppm."""
    await stage.set_up("tank=60")
    controller = stage.controller
    with stage.daemon(fill_fraction=0.9):
        await controller.first("open", path="fill")
        await hub.has(f"{HUB}/product/verdict", "suitable")
        swapped = await controller.told("swapped")
        shut = await controller.first(
            "shut", since=swapped, failure="the cells are exchanged, the valve is open"
        )
        assert shut["cause"] == "close"
        await hub.until(
            lambda seen: seen.kept[f"{HUB}/product/health"] == "failure", "the product still looks good"
        )
        await controller.told("swapped 0")
        await controller.first(
            "open", since=shut["t"], failure="no fill came after the plugs were right again"
        )


@pytest.mark.parametrize(
    ("ppm", "feed_shown"), [(150, "1500.00"), (300, None)], ids=["in range", "over range"]
)
async def test_no_spoilt_product_flows_while_the_plugs_are_exchanged(
    stage: Stage, hub: Hub, ppm: int, feed_shown: str | None
) -> None:
    """Then the product cell shows the feed, 30 ppm, and the feed cell shows ten times the product."""
    await stage.set_up("tank=60")
    controller = stage.controller

    def shows(since: int, path: str, payload: str) -> bool:
        return (f"{HUB}/{path}", payload) in hub.seen[since:]

    with stage.daemon(fill_fraction=0.9) as daemon:
        await controller.first("open", path="fill")
        await hub.has(f"{HUB}/product/verdict", "suitable")
        swapped = await controller.told("swapped")
        await controller.first("shut", since=swapped)
        await controller.told(f"ppm {ppm}")
        await hub.until(
            lambda seen: seen.kept.get(f"{HUB}/feed/ppm") == feed_shown,
            f"the feed cell stands in {ppm} ppm, and the hub does not show that",
        )
        await hub.has(f"{HUB}/health/trips", '["probe-failure"]')
        daemon.send_signal(signal.SIGKILL)
        daemon.ended()
        await hub.has("homie/5/bog/$state", "lost")
    since = len(hub.seen)
    with stage.daemon(fill_fraction=0.9):
        await hub.has("homie/5/bog/$state", "ready")
        await hub.until(lambda _: shows(since, "valve/reported", "shut"), "no reading came after the start")
        await hub.sends(f"{HUB}/health/reset/set", "probe-failure")
        await hub.said(f"{HUB}/$log/warn", "probe-failure cannot be reset")
        assert [one for one in controller.openings if one["t"] > swapped] == [], f"{ppm} ppm flowed"
        await controller.told("ppm 5")
        right = await controller.told("swapped 0")
        await hub.until(lambda _: shows(since, "product/health", "good"), "the cells are still in doubt")
        await hub.sends(f"{HUB}/health/reset/set", "probe-failure")
        await controller.first("open", since=right, failure="no fill came after the plugs were right again")
        await stage.checker.finds_no_deviation()
