"""An ordinary fill, excesses, a kill, a cut cable and a hostile hub, judged by strangers.

The controller and the checker are programs of their own, written from ``firmware_notes/protocol.md`` and from
the Homie convention. The daemon and the broker are real. The controller's own clock and water are the truth.
"""

import signal

import pytest

from tests.brokers import keeps
from tests.strangers.stage import DEVICE, HUB, LEASE_S, Controller, Hub, Stage, counts_every_pulse

pytestmark = pytest.mark.needs("mosquitto", "gcc")


def follows_the_line(controller: Controller) -> None:
    """No line was unused, no lease a duplicate or longer than configured, and each command got its answer."""
    assert controller.all("unused") == []
    assert controller.all("duplicate") == []
    assert {one["ms"] <= LEASE_S * 1000 for one in controller.frames("lease")} == {True}
    answers = [one["frame"] for one in controller.all("sent")]
    for kind in ("lease", "close"):
        for got in controller.frames(kind):
            assert any(f" ack of={got['seq']} " in one for one in answers), f"{got['frame']} got no answer"


async def test_ordinary_fill_loses_nothing_and_deviates_nowhere(stage: Stage, hub: Hub) -> None:
    await stage.set_up()
    controller = stage.controller
    with stage.daemon() as daemon:
        await controller.first("open", path="fill")
        shut = await controller.first("shut", failure="the fill did not end at its mark")
        assert shut["cause"] == "close"
        await hub.has(f"{HUB}/fill/phase", "idle")
        await counts_every_pulse(hub, controller)
        truth = await controller.truth()
        await hub.until(
            lambda seen: abs(float(seen.kept[f"{HUB}/reservoir/volume"]) - truth["tank_l"]) <= 0.5,
            f"the reservoir holds {truth['tank_l']:.2f} L, and the hub never shows it",
        )
        running = await stage.checker.finds_no_deviation()
        assert running["devices"][DEVICE]["alerts"] == {}
        assert daemon.stop() == 0
    assert len(controller.openings) == 1
    assert len(controller.all("shut")) == 1
    follows_the_line(controller)
    ended = await stage.checker.finds_no_deviation()
    assert set(ended["devices"]) == {"bog", DEVICE}
    assert ended["devices"]["bog"]["states"] == ["init", "ready", "disconnected"]
    # By the convention a device falls back into init while its description changes: when values become known.
    *pairs, last = ended["devices"][DEVICE]["states"]
    assert (pairs, last) == (["init", "ready"] * (len(pairs) // 2), "disconnected")


async def test_each_excess_shuts_the_valve_before_its_lease_is_over(stage: Stage, hub: Hub) -> None:
    await stage.set_up("tank=100")
    controller = stage.controller
    with stage.daemon():
        opened = await controller.first("open", path="fill")
        for ppm in (60, 70, 250):
            await hub.has(f"{HUB}/fill/phase", "fill")
            bad = await controller.told(f"ppm {ppm}")
            shut = await controller.first("shut", since=bad)
            assert shut["cause"] == "close", f"{ppm} ppm flowed until the lease was over"
            assert shut["t"] < controller.all("granted")[-1]["ends"]
            await controller.told("ppm 5")
            if ppm < 100:
                opened = await controller.first("open", since=shut["t"], failure="the fill did not go on")
        await hub.until(keeps(f"{HUB}/$alert/product-over-limit"), "the hub shows no alert of the trip")
        await hub.has(f"{HUB}/health/trips", '["product-over-limit"]')
        await hub.sends(f"{HUB}/health/reset/set", "product-over-limit")
        await hub.said(f"{HUB}/$log/warn", "retest")
        assert controller.openings[-1] == opened, "the valve opened against a trip"
        await hub.sends(f"{HUB}/product/retest/set", "5")
        await hub.sends(f"{HUB}/health/reset/set", "product-over-limit")
        await controller.first("open", since=opened["t"] + 1e-6, failure="no fill came after the reset")
        await stage.checker.finds_no_deviation()
    follows_the_line(controller)


async def test_valve_is_shut_within_the_lease_of_a_killed_bridge_and_no_litre_is_lost(
    stage: Stage, hub: Hub
) -> None:
    await stage.set_up("tank=116")
    controller = stage.controller
    with stage.daemon() as daemon:
        opened = await controller.first("open", path="fill")
        await hub.has(f"{HUB}/fill/phase", "fill")
        daemon.send_signal(signal.SIGKILL)
        daemon.ended()
        shut = await controller.first("shut", since=opened["t"], failure="the bridge is dead, the valve open")
        last = controller.frames("lease")[-1]
        assert shut["cause"] == "lapsed"
        assert shut["t"] - last["t"] <= LEASE_S
        await hub.has("homie/5/bog/$state", "lost")
        lost = await stage.checker.finds_no_deviation()
        assert lost["devices"][DEVICE]["state"] == "lost"
    with stage.daemon():
        await controller.first("open", since=shut["t"], failure="the fill did not go on after the restart")
        await controller.first("shut", since=shut["t"] + 1e-6, cause="close")
        await hub.has(f"{HUB}/fill/phase", "idle")
        await counts_every_pulse(hub, controller)
        await stage.checker.finds_no_deviation()


async def test_fill_goes_on_after_the_cable_was_out(stage: Stage, hub: Hub) -> None:
    await stage.set_up("tank=116")
    controller = stage.controller
    with stage.daemon():
        opened = await controller.first("open", path="fill")
        await hub.has(f"{HUB}/fill/phase", "fill")
        out = await controller.told("replug")
        shut = await controller.first("shut", since=opened["t"])
        assert shut["t"] - [one for one in controller.frames("lease") if one["t"] <= out][-1]["t"] <= LEASE_S
        await controller.first("open", since=shut["t"], failure="no fill came after the cable was in again")
        await controller.first("shut", since=shut["t"] + 1e-6, cause="close")
        await hub.has(f"{HUB}/fill/phase", "idle")
        await counts_every_pulse(hub, controller)
        await stage.checker.finds_no_deviation()
    assert controller.all("duplicate") == []


HOSTILE = (
    b"", b"\0", b"true", b"TRUE", b"false ", b"start", b"all", b"none", b"-1", b"0", b"1e999", b"nan",
    b"1" * 5000, b"\xff\xfe", "\ufeff5".encode(), b"[]", b"{}", b'{"alarm": "overflow", "minutes": -1}',
    b"[" * 2000,
    b"product-over-limit", b"overflow", b"changed now", b"'; DROP TABLE readings;--",
)  # fmt: skip
SETTABLE = (
    "product/retest", "reservoir/sample", "valve/hold", "fill/start", "health/acknowledge", "health/reset",
    "health/shelve", "purifier/cartridge-changed", "product/ppm", "valve/decided", "nothing/there",
    "$state", "$alert/x",
)  # fmt: skip


async def test_hostile_commands_delay_no_lease_and_open_no_valve(stage: Stage, hub: Hub) -> None:
    await stage.set_up("tank=100")
    controller = stage.controller
    with stage.daemon(fill_fraction=0.9):
        opened = await controller.first("open", path="fill")
        await hub.has(f"{HUB}/fill/phase", "fill")
        held_open = [one for one in HOSTILE if one != b"true"]
        for payload in held_open:
            for path in SETTABLE:
                await hub.sends(f"{HUB}/{path}/set", payload)
        for path in ("valve/hold", "fill/start", "purifier/cartridge-changed"):
            await hub.sends(f"{HUB}/{path}/set", "start", retain=True)
        # Commands are obeyed in their order, so this one is later than the others.
        await hub.sends(f"{HUB}/valve/hold/set", "true")
        await hub.has(f"{HUB}/valve/hold", "true")
        shut = await controller.first("shut", since=opened["t"])
        assert shut["cause"] == "close", "a lease ran out while the hub was hostile"
        for path in SETTABLE:
            await hub.sends(f"{HUB}/{path}/set", "start")
        await hub.said(f"{HUB}/$log/warn", "on hold")
        assert len(controller.openings) == 1, "the valve opened against a hold"
        await hub.sends(f"{HUB}/valve/hold/set", "false")
        await controller.first("open", since=shut["t"], failure="no fill came after the hold")
        await stage.checker.finds_no_deviation()
    follows_the_line(controller)
