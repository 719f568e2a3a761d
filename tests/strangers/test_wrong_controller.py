"""A controller that fails: it restarts, does not obey, falls silent, repeats itself or is another board.

Times are those of the controller's clock and of this process; both are CLOCK_MONOTONIC.
"""

import itertools
import signal
import time

import pytest

from tests.strangers.stage import FLOW_METER, HUB, LEASE_S, Hub, Stage

pytestmark = pytest.mark.needs("mosquitto", "gcc")

WAIT_S = 4.0
"""The bridge waits 5 s after the first opening that failed."""
ALARM_WITHIN_S = 30.0
"""A controller that does not obey raises an alarm within this time."""
OPENINGS_MAX = 10
"""Each opening without water wears the valve."""


async def test_controller_that_restarts_at_each_opening_is_tripped(stage: Stage, hub: Hub) -> None:
    """The pauses between the openings add up to more than a minute, so each opening is awaited by itself."""
    await stage.set_up()
    controller = stage.controller
    await controller.told("resets-at-opening")
    with stage.daemon():
        while "restart" not in hub.kept.get(f"{HUB}/health/trips", ""):
            opened = len(controller.openings)
            assert opened <= OPENINGS_MAX, "the valve chatters, and no trip ends that"
            await hub.until(
                lambda seen, opened=opened: (  # type: ignore[misc]
                    len(controller.openings) > opened or "restart" in seen.kept.get(f"{HUB}/health/trips", "")
                ),
                "neither an opening nor a trip came",
            )
        await hub.until(
            lambda seen: any("$alert/" in topic and "restart" in topic for topic in seen.kept),
            "no sentence tells of the trip",
        )
        opened = len(controller.openings)
        await hub.sends(f"{HUB}/fill/start/set", "start")
        await hub.said(f"{HUB}/$log/warn", "restart")
        assert len(controller.openings) == opened, "the valve opened against the trip"
        pauses = [b["t"] - a["t"] for a, b in itertools.pairwise(controller.openings)]
        assert pauses == sorted(pauses), f"the pauses do not grow: {pauses}"


@pytest.mark.parametrize("fault", ["never-opens", "silent-to-open", "path drain"])
async def test_controller_that_does_not_obey_raises_an_alarm_and_gets_no_lease(
    stage: Stage, hub: Hub, fault: str
) -> None:
    await stage.set_up("tank=60")
    controller = stage.controller
    if fault != "path drain":
        await controller.told(fault)
    with stage.daemon(fill_fraction=0.9):
        lease = await controller.first("got", kind="lease")
        if fault == "path drain":
            await controller.first("open")
            await controller.told(fault)
        await hub.until(
            lambda seen: any(topic.startswith(f"{HUB}/$alert/controller") for topic in seen.kept),
            f"{fault}, and nobody is told",
        )
        assert time.monotonic() - lease["t"] <= ALARM_WITHIN_S
        closed = await controller.first("got", since=lease["t"], kind="close", failure="nothing is shut")
        # The bridge tries again some seconds later, see the page on the valve.
        again = controller.frames("lease", since=closed["t"])
        assert [one for one in again if one["t"] < closed["t"] + WAIT_S] == [], "leases go on"


async def test_readings_that_stop_are_a_lost_link_although_answers_go_on(stage: Stage, hub: Hub) -> None:
    await stage.set_up("tank=60")
    controller = stage.controller
    with stage.daemon(fill_fraction=0.9):
        await controller.first("open", path="fill")
        await hub.has(f"{HUB}/product/verdict", "suitable")
        silent = await controller.told("readings-stop")
        shut = await controller.first("shut", since=silent)
        assert shut["t"] - silent <= 3.0 + LEASE_S, "the valve outlives the readings"
        await hub.has(f"{HUB}/health/link", "false")
        await hub.has(f"{HUB}/product/verdict", "unknown")
        for path in ("product/ppm", "product/conductivity", "reservoir/volume"):
            await hub.until(
                lambda seen, path=path: f"{HUB}/{path}" not in seen.kept,  # type: ignore[misc]
                f"{path} shows an old value as if it were new",
            )
        await controller.told("readings-stop 0")
        await hub.has(f"{HUB}/health/link", "true")
        await controller.first("open", since=shut["t"], failure="no fill came when readings came again")
        await stage.checker.finds_no_deviation()


async def test_old_readings_in_a_loop_are_no_life(stage: Stage, hub: Hub) -> None:
    await stage.set_up("tank=60", "pulses=0")
    controller = stage.controller
    with stage.daemon(fill_fraction=0.9, flow=""):
        await controller.first("open", path="fill")
        await hub.has(f"{HUB}/fill/phase", "fill")
        looped = await controller.told("loop 8")
        shut = await controller.first("shut", since=looped, failure="old readings hold the valve open")
        assert shut["t"] - looped <= 3.0 + LEASE_S
        await controller.first(
            "got", since=looped, kind="identify", failure="nobody asks which board this is"
        )
        assert [one for one in controller.openings if one["t"] > looped] == [], "it opened on old readings"


async def test_numbers_begin_anew_at_each_start_so_that_no_first_lease_is_a_duplicate(stage: Stage) -> None:
    await stage.set_up("tank=60")
    controller = stage.controller
    began = []
    for _ in range(3):
        here = time.monotonic()
        with stage.daemon(fill_fraction=0.9) as daemon:
            first = await controller.first("got", since=here)
            await controller.first("granted", since=here)
            began.append(first["seq"])
            daemon.send_signal(signal.SIGKILL)
            daemon.ended()
    assert len(set(began)) > 1, f"each start begins with the number {began[0]}"
    assert controller.all("duplicate") == []


async def test_another_board_on_the_same_port_is_told_of(stage: Stage, hub: Hub) -> None:
    await stage.set_up("tank=60")
    controller = stage.controller
    with stage.daemon(fill_fraction=0.9, flow=FLOW_METER):
        await controller.first("open", path="fill")
        await hub.has(f"{HUB}/fill/phase", "fill")
        seen = len(hub.seen)
        await controller.told("id another-board")
        await controller.told("reset")
        await controller.told("replug")
        await hub.has(f"{HUB}/health/controller", "another-board 0.1")
        await hub.until(
            lambda hub: any(
                "$alert/" in topic and "nother" in text and text for topic, text in hub.seen[seen:]
            ),
            "another board fills the reservoir, and nobody is told",
        )
