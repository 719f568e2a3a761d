"""The page in a complete installation: a rig, a daemon, a broker and a browser, all real."""

import asyncio
import os
import sys
from dataclasses import replace
from pathlib import Path

import pytest
from playwright.async_api import Page, expect

from bridge.guard.model import Flow
from bridge.rig.faults import parse_fault
from bridge.rig.pty import RigServer
from bridge.rig.scenario import POLYTUNNEL_WITH_DRAIN
from bridge.rig.world import World
from tests.brokers import Mosquitto, Observe, free_port, listens
from tests.waiting import until
from tests.web.browser import chromium, looking
from tests.web.conftest import TOKEN

pytestmark = pytest.mark.needs("chromium", "nodejs", "mosquitto")

SPEED = 10.0
DEVICE = "homie/5/house-barrel"
CONFIG = """
[bridge]
id = "house"
name = "The house"
[hub]
host = "127.0.0.1"
port = {broker}
[page]
port = {page}
[reservoir.barrel]
name = "The barrel"
port = "{line}"
shape = {{ kind = "upright-cylinder", diameter_m = 0.58, height_m = 0.76 }}
assumed_ppm = 6
[reservoir.barrel.level]
refill_fraction = 0.50
fill_fraction = 0.90
wave_time_constant_s = 0.2
overflow_float = true
overflow_return_s = 0.5
[reservoir.barrel.level.sensor]
table = [[0.05, 0.04], [0.95, 0.74]]
[reservoir.barrel.product]
cell_constant_per_cm = 0.1
[reservoir.barrel.feed]
cell_constant_per_cm = 1.0
[reservoir.barrel.purifier]
drain_valve = true
litres_per_pulse = 0.00222
flow_max_l_min = 60
[reservoir.barrel.cartridge]
kind = "exchange"
treats = "1200 l"
treats_of = "250 ppm"
[reservoir.barrel.guard]
rinse_min_s = 0.5
in_spec_s = 0.4
pause_s = 0.5
"""
"""At the rig's pace: of its own accord a fill that was interrupted would rest for half a minute."""


async def changes(page: Page, selector: str, told: str) -> None:
    """Replaces the text."""
    before = await page.locator(selector).inner_text()
    await expect(page.locator(selector), told).not_to_have_text(before)


async def test_page_hub_and_rig_show_the_same_state(
    tmp_path: Path, mosquitto: Mosquitto, observe: Observe
) -> None:
    file, line, port = tmp_path / "clearwell.toml", tmp_path / "line", free_port()
    file.write_text(CONFIG.format(broker=mosquitto.port, page=port, line=line))
    barrel = replace(POLYTUNNEL_WITH_DRAIN.barrel, start_fraction=0.45)
    world = World(replace(POLYTUNNEL_WITH_DRAIN, barrel=barrel), seed=3)
    serving = asyncio.create_task(RigServer(world, line, SPEED).run())
    hub = await observe(mosquitto)
    daemon = await asyncio.create_subprocess_exec(
        sys.executable, "-m", "bridge", "run", "--quiet", "--config", str(file),
        env={**os.environ, "CLEARWELL_PAGE__TOKEN": TOKEN},
    )  # fmt: skip
    try:
        await hub.has("homie/5/house/$state", "ready")
        await until(lambda: listens(port), "the page was never served")
        async with chromium() as browser, looking(browser, f"http://127.0.0.1:{port}/") as here:
            page = here.page
            await here.shows("#name", "The barrel")
            await here.shows("#valve-state", "OPEN to the reservoir")
            for selector in ("#volume", "#fill", "#purifier", "#product-facts"):
                await changes(page, selector, f"{selector} stands still while the reservoir fills")
            await here.shows("#answer-word", "Assumed: yes")

            await here.use(TOKEN)
            await here.said("The token is right.")
            await page.get_by_role("button", name="Hold: keep the valve shut").click()
            await hub.has(f"{DEVICE}/valve/hold", "true")
            await here.shows("#valve-state", "SHUT")
            assert world.truth().path is Flow.SHUT, "the page says shut, and the rig's valve is open"
            await hub.sends(f"{DEVICE}/valve/hold/set", "false")
            await here.shows("#hold-word", "Not on hold")
            await here.shows("#valve-state", "OPEN to the reservoir")
            await page.get_by_role("button", name="Fill to the mark now").click()
            await here.said("Refused: A fill is already running.")

            world.inject(parse_fault("overflow-float-up@0+100000"))
            await here.shows("#alarms", "Trip since ")
            await here.shows("#alarms", "In the manual and the log: overflow")
            await hub.has(f"{DEVICE}/health/first-out", "overflow")
            await page.get_by_role("button", name="Acknowledge: overflow").click()
            await here.said("Done.")

            await mosquitto.stop()
            world.repair(parse_fault("overflow-float-up@0").name)
            await here.shows("#stock", "down")
            await page.get_by_role("button", name="Reset: overflow").click()
            await page.get_by_role("button", name="Reset", exact=True).click()
            await here.said("The barrel, reset: Done.")
            await expect(page.locator("#alarms")).not_to_contain_text("Trip")
    finally:
        daemon.terminate()
        await daemon.wait()
        serving.cancel()
        await asyncio.gather(serving, return_exceptions=True)
