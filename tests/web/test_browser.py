"""The page of a running bridge in a real browser: its display, and the effect of each click.

The daemon and the page's process are real; the test drives the controller's line.
"""

import asyncio
import json
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import pytest
from playwright.async_api import Route, expect

from bridge.config.plan import LogPlan
from bridge.demo import RESERVOIR
from bridge.guard.commands import (
    Acknowledge,
    CartridgeChanged,
    Hold,
    ReservoirSample,
    Reset,
    Retest,
    Shelve,
    StartFill,
)
from bridge.guard.model import Flow, Permissive, Trip
from bridge.history.waiting import LogSettings
from bridge.units import DisplayUnits, SolidsUnit
from tests.waiting import until
from tests.web.browser import WIDTHS, Looking, chromium, looking, refused_by_axe
from tests.web.conftest import TOKEN, Begin, Site

pytestmark = [pytest.mark.needs("chromium", "nodejs"), pytest.mark.slow]

MOST_BYTES = 300_000
LISTEN = """
    window.spoken = [];
    new MutationObserver((changes) => {
      for (const { target } of changes) {
        const one = (target.nodeType === 1 ? target : target.parentElement).closest("[aria-live], [role]");
        const how = one?.getAttribute("aria-live") ?? { status: "polite", alert: "assertive" }[one?.role];
        if (how === "polite" || how === "assertive") window.spoken.push(one.textContent);
      }
    }).observe(document.body, { childList: true, characterData: true, subtree: true });
"""
"""Notes what a screen reader would say without being asked (WAI-ARIA 1.2, live regions)."""


class Water:
    """A controller that reports ten times a second and obeys every command for its valve."""

    def __init__(self, site: Site, level_sensor: float) -> None:
        self._site = site
        self.product_us = 20.0
        self.level_sensor = level_sensor

    async def flow(self) -> None:
        while True:
            state = self._site.keeper.station.state
            path = Flow.TO_RESERVOIR if state.flow is Flow.TO_RESERVOIR else Flow.SHUT
            if path is Flow.TO_RESERVOIR:
                self.level_sensor = min(self.level_sensor + 0.0005, 0.6)
            self._site.board.read(self.product_us, path, self.level_sensor)
            await asyncio.sleep(0.1)


@asynccontextmanager
async def flowing(site: Site, level_sensor: float = 0.3) -> AsyncIterator[Water]:
    water = Water(site, level_sensor)
    task = asyncio.create_task(water.flow())
    yield water
    task.cancel()


async def test_every_fact_changes_live_and_the_page_is_accessible(begin: Begin) -> None:
    async with (
        begin() as site,
        chromium() as browser,
        looking(browser, site.url) as here,
        flowing(site) as water,
    ):
        await expect(here.page).to_have_title("Assumed: yes, with care: The barrel, The tunnel")
        # A usual hand meter is uncertain by 20 ppm, so only a low reading shows that the target is kept.
        assert (await site.command("reservoir/sample", "3")).status_code == 200
        await expect(here.page).to_have_title("Yes: The barrel, The tunnel")
        await expect(here.page.locator("#chooser"), "there is nothing to choose").not_to_be_visible()
        await here.shows("#answer-word", "Yes")
        await here.shows("#valve-state", "OPEN to the reservoir")
        await here.shows("#valve-why", "every permissive holds")
        await here.shows("#permissives-sum", "Every permissive holds.")
        before = await here.page.locator("#volume").inner_text()
        water.level_sensor = 0.35
        await expect(here.page.locator("#volume")).not_to_have_text(before)
        await here.shows("#product-facts", "ppm ±")
        product = await here.page.locator("#product-facts").inner_text()
        await here.page.evaluate(LISTEN)
        water.product_us = 30.0
        await expect(here.page.locator("#product-facts")).not_to_have_text(product)
        assert await here.page.evaluate("window.spoken") == [], "who listens hears every new figure"
        for width in WIDTHS:
            assert await refused_by_axe(browser, site.url, width, "light") == []
        water.product_us = 2000.0
        await here.shows("#valve-state", "SHUT")
        await here.shows("#valve-phase", "tripped")
        # The trip protected good water, so the answer stays.
        await here.shows("#answer-word", "Yes")
        await here.shows(
            "#answer-reason", "The valve is shut by a trip: The purified water is over its limit."
        )
        await expect(here.page).to_have_title("(1) Yes: The barrel, The tunnel")
        await expect(here.page.locator("#icon")).to_have_attribute("href", "/static/icons/alarm.svg")
        await here.shows("#alarms-word", "1 alarm: The purified water is over its limit")
        await here.shows("#alarms h3", "The purified water is over its limit")
        await here.shows("#alarms .when", "Trip since ")
        await here.shows("#alarms .when", "latched, not yet acknowledged")
        await here.shows("#alarms li li >> nth=0", "Change the cartridge")
        link = here.page.locator("#alarms .card a")
        await expect(link).to_have_attribute("href", "/manual/faults#product-over-limit")
        await here.shows("#alarms li li >> nth=3", "the valve may then open at once")
        await expect(here.page.locator("#permissives li")).to_have_count(len(Permissive))
        await here.shows("#permissives .missing >> nth=0", "missing")
        assert (await site.command("reservoir/sample", "90")).status_code == 200
        await here.shows("#answer-word", "No")
        await here.shows("#answer-held", "It has 90 ppm, by the sample of ")
        spoken = " ".join(await here.page.evaluate("window.spoken"))
        for part in ("Do not use this water", "SHUT", "Trip: The purified water is over its limit"):
            assert part in spoken, f"who listens never hears {part!r}, only {spoken!r}"
        for width in WIDTHS:
            assert await refused_by_axe(browser, site.url, width, "dark") == []
        await here.is_sound()
        async with looking(browser, site.url, 360) as phone:
            await phone.shows("#alarms", "product-over-limit")
            await phone.is_sound()
            # Answer, litres, days, valve and the first alarm need no scrolling.
            for part in ("answer-word", "volume", "lasts", "valve-state", "alarms-word"):
                box = await phone.page.locator(f"#{part}").bounding_box()
                assert box is not None
                assert box["y"] + box["height"] <= 800, f"{part} is below the screen of a phone"
            weight = await phone.page.evaluate(
                "[...performance.getEntriesByType('resource'), ...performance.getEntriesByType('navigation')]"
                ".reduce((sum, one) => sum + one.transferSize, 0)"
            )
            assert 10_000 < weight < MOST_BYTES
            painted = await phone.page.evaluate("performance.getEntriesByName('first-paint')[0].startTime")
            print(f"{weight} bytes in all; first paint after {painted:.0f} ms")


async def test_each_command_needs_the_token_and_is_answered(begin: Begin) -> None:
    async with begin() as site, chromium() as browser, looking(browser, site.url) as here, flowing(site, 0.6):
        page = here.page
        await here.shows("#answer-word", "Assumed: yes")
        await page.get_by_role("button", name="Hold: keep the valve shut").click()
        await here.said("Enter the token first")
        await here.use("a-wrong-token-of-some-length")
        await here.said("Refused: The token is wrong.")
        await page.get_by_role("button", name="Hold: keep the valve shut").click()
        await here.said("Enter the token first")
        assert site.commands == []
        # The browser itself reports this error in its console.
        here.complaints.clear()

        await here.use(TOKEN)
        await here.said("The token is right.")
        assert await page.evaluate("sessionStorage.length") == 0, "the token is kept without being asked to"
        await page.get_by_role("button", name="Hold: keep the valve shut").click()
        await here.shows("#hold-word", "On hold")
        await page.get_by_role("button", name="Lift the hold").click()
        await here.shows("#hold-word", "Not on hold")
        await page.get_by_label("Measured in the reservoir, ppm (0.5 ppm per µS/cm)").fill("9")
        # A double click, or an impatient person, enters one sample.
        await page.get_by_role("button", name="Enter the sample").dblclick()
        await here.said("The barrel, sample of 9 ppm: Done. The bridge answered at ")
        await expect(page.locator("#sample")).to_have_value("")
        await here.shows("#stock", "9.0 ppm, by the sample of ")
        await page.get_by_label("Measured in the product").fill("12,5")
        await page.get_by_role("button", name="Enter the retest").click()
        await here.said("Done.")
        await page.get_by_role("button", name="A new cartridge is in place").click()
        await here.shows("#confirm-text", "Is a new cartridge or membrane in place at The barrel?")
        await page.get_by_role("button", name="No", exact=True).click()
        assert [type(one) for one in site.commands] == [Hold, Hold, ReservoirSample, Retest]
        assert site.commands[3] == Retest(site.commands[3].received_at, "page", 12.5)
        await page.get_by_role("button", name="A new cartridge is in place").click()
        await page.get_by_role("button", name="Yes, it is in place").click()
        await expect(page.locator("#confirm")).not_to_be_visible()
        await page.get_by_role("button", name="Fill to the mark now").click()
        await here.said("The barrel, fill to the mark: Done.")
        assert [type(one) for one in site.commands[4:]] == [CartridgeChanged, StartFill]
        assert here.complaints == []


async def test_a_late_answer_about_the_token_does_not_replace_the_result_of_an_act(begin: Begin) -> None:
    async with begin() as site, chromium() as browser, looking(browser, site.url) as here, flowing(site, 0.6):
        held_up: list[Route] = []
        await here.page.route("**/api/token", lambda route: held_up.append(route))
        await here.use(TOKEN)
        await until(lambda: held_up != [], "the page never asked about the token")
        await here.page.get_by_role("button", name="Hold: keep the valve shut").click()
        await here.said("The barrel, hold: Done.")
        async with here.page.expect_response("**/api/token") as answer:
            await held_up[0].continue_()
        await (await answer.value).finished()
        # The button that deletes the token appears after the answer was read.
        await expect(here.page.locator("#token-drop")).to_be_visible()
        await here.said("The barrel, hold: Done.")


async def test_a_measurement_is_entered_in_the_displayed_unit(begin: Begin) -> None:
    units = DisplayUnits(solids=SolidsUnit.US_CM)
    async with (
        begin(display=units) as site,
        chromium() as browser,
        looking(browser, site.url) as here,
        flowing(site, 0.6),
    ):
        page = here.page
        await here.shows("#product-facts", "µS/cm ±")
        await here.use(TOKEN)
        sample = page.get_by_label("Measured in the reservoir, µS/cm at 25 °C")
        await sample.fill("18")
        await page.get_by_role("button", name="Enter the sample").click()
        await here.said("Done.")
        await here.shows("#stock", "18 µS/cm, by the sample of ")
        await page.get_by_label("Measured in the product, µS/cm at 25 °C").fill("25,5")
        await page.get_by_role("button", name="Enter the retest").click()
        await here.said("Done.")
        factor = site.keeper.station.plan.identity.factor
        measured_ppm = [one.ppm for one in site.commands if isinstance(one, Retest | ReservoirSample)]
        assert measured_ppm == [18.0 * factor, 25.5 * factor]
        await sample.fill("99999")
        await page.get_by_role("button", name="Enter the sample").click()
        await here.said("'99999' is not a number of µS/cm from 0 to 20000")
        await sample.fill("much")
        await page.get_by_role("button", name="Enter the sample").click()
        assert await sample.evaluate("field => field.validity.patternMismatch"), "no number is sent"
        assert len(site.commands) == 2
        assert [one for one in here.complaints if "400" not in one] == []


async def test_an_alarm_is_acknowledged_shelved_and_reset_with_the_keyboard_alone(begin: Begin) -> None:
    async with begin() as site, chromium() as browser, looking(browser, site.url, 360) as here:
        page = here.page
        await site.filling()
        site.board.read(2000.0, Flow.TO_RESERVOIR)
        site.board.read(2000.0)
        await here.shows("#alarms", "not yet acknowledged")
        await here.use(TOKEN)
        await page.locator("#alarms-word").focus()
        for _ in range(10):
            await page.keyboard.press("Tab")
            label = await page.evaluate("document.activeElement.getAttribute('aria-label') ?? ''")
            if label == "Acknowledge: product-over-limit":
                break
        else:
            pytest.fail("the key Tab never came to the button that acknowledges")
        await page.keyboard.press("Enter")
        await here.said("Done.")
        await expect(page.locator("#alarms")).not_to_contain_text("not yet acknowledged")
        await page.get_by_role("button", name="Shelve for an hour: product-over-limit").press("Space")
        await here.shows("#alarms", ", shelved")
        await page.get_by_role("button", name="Reset: product-over-limit").press("Enter")
        await here.shows("#confirm-text", "every permissive holds, the valve opens at once")
        await page.get_by_role("button", name="Reset", exact=True).press("Enter")
        await here.said("Refused:")
        assert [type(one) for one in site.commands] == [Acknowledge, Shelve, Reset]
        assert site.commands[0] == Acknowledge(site.commands[0].received_at, "page", Trip.PRODUCT_OVER_LIMIT)
        assert [one for one in here.complaints if "409" not in one] == []


async def test_a_name_with_markup_is_text_and_a_page_without_a_token_has_no_commands(begin: Begin) -> None:
    name = '<img src=x onerror="document.title=1"><script>document.title=2</script>'
    async with (
        begin(token=None, name=name) as site,
        chromium() as browser,
        looking(browser, site.url) as here,
        flowing(site),
    ):
        await here.shows("#answer-word", "Assumed: yes")
        assert await here.page.locator("h1").inner_text() == name
        await here.shows("#no-token", "has no token")
        await expect(here.page.locator("#acts")).not_to_be_visible()
        await expect(here.page.locator("#token-form")).not_to_be_visible()
        await here.is_sound()


async def test_a_lost_bridge_is_reported_and_old_facts_are_marked_as_old(begin: Begin) -> None:
    async with chromium() as browser:
        window = await browser.new_context(viewport={"width": 360, "height": 800})
        page = await window.new_page()
        async with begin() as site:
            site.board.read(20.0)
            await page.goto(site.url)
            await expect(page.locator("#stream")).to_contain_text("Live, ")
        # The bridge has stopped.
        await expect(page.locator("#stream")).to_contain_text("This page shows the state at")
        await expect(page.locator("#answer-word")).to_have_text("Not known now")
        await expect(page.locator("#answer")).to_have_attribute("data-verdict", "unknown")
        await window.close()


async def test_a_fill_that_ended_is_in_the_table_at_once(begin: Begin, tmp_path: Path) -> None:
    log = LogPlan(tmp_path / "clearwell.db", LogSettings())
    async with (
        begin(log=log) as site,
        chromium() as browser,
        looking(browser, site.url) as here,
        flowing(site) as water,
    ):
        await here.shows("#valve-state", "OPEN to the reservoir")
        await here.shows("#fills", "None in the log.")
        water.product_us = 2000.0
        await here.shows("#valve-phase", "tripped")
        await here.shows("#fills", "trip")
        await here.is_sound()


async def test_the_charts_show_the_excursion_the_marks_and_the_values_under_the_pointer(begin: Begin) -> None:
    start = 1_760_000_000
    values = [8.0 + 0.1 * n for n in range(99)]
    line = {
        "name": "product", "words": "product", "unit": "ppm", "mean": [*values, None],
        "low": [*(one - 1.0 for one in values), None],
        "high": [*(one + 1.0 for one in values[:-1]), 329.6, None],
    }  # fmt: skip
    course = {
        "start": start, "end": start + 60_000, "first": start, "now": start + 60_000,
        "scale": "0.5 ppm per µS/cm", "limit": 50.0, "target": 25.0,
        "times": [start + 600 * n for n in range(100)], "lines": [line], "days": [], "litres_a_day": [],
        "volume_unit": "L", "sentence": "Product while water flowed: at most 318 ppm.",
    }  # fmt: skip
    trip = {"at": start + 30_000, "time": "2025-10-09 17:13", "kind": "trip", "sentence": "A trip: raised."}
    asked: list[str] = []
    async with begin() as site, chromium() as browser:
        window = await browser.new_context(viewport={"width": 1000, "height": 800})
        page = await window.new_page()
        here = Looking(page, site.url)

        async def answer(route: Any) -> None:
            parts = urlsplit(route.request.url)
            asked.append(parts.query)
            body = [trip] if parts.path.endswith("/entries") else course
            await route.fulfill(body=json.dumps(body), content_type="application/json")

        await page.route(f"**/api/reservoirs/{RESERVOIR}/history?*", answer)
        await page.route(f"**/api/reservoirs/{RESERVOIR}/entries?*", answer)
        site.board.read(20.0)
        await page.goto(site.url)
        await here.shows("#trend-word", "at most 318 ppm")
        drawn = await page.evaluate(
            "(() => { const c = document.querySelector('#charts canvas');"
            " const d = c.getContext('2d').getImageData(0, 0, c.width, c.height).data;"
            " const seen = new Set(); for (let i = 0; i < d.length; i += 4)"
            " if (d[i + 3] > 250) seen.add([d[i], d[i + 1], d[i + 2]].join()); return [...seen]; })()"
        )
        assert {"43,111,147", "150,35,31", "122,74,0"} <= set(drawn), "mean, limit or target is not drawn"
        plot = page.locator("#charts .u-over").first
        await plot.scroll_into_view_if_needed()
        box = await plot.bounding_box()
        assert box is not None
        await page.mouse.move(box["x"] + 0.505 * box["width"], box["y"] + box["height"] / 2)
        await here.shows("#at-word", "product 13 ppm (12 to 14)")
        await here.shows("#at-word", "A trip: raised.")
        # A drag over the second half zooms to it.
        await page.mouse.down()
        await page.mouse.move(box["x"] + box["width"] - 1, box["y"] + 20, steps=4)
        await page.mouse.up()
        await here.shows("#span-word", "2025-10-")
        zoomed = {key: int(value) for key, value in (part.split("=") for part in asked[-1].split("&")[:2])}
        assert abs(zoomed["from"] - 1000 * (start + 30_000)) < 400_000
        assert abs(zoomed["until"] - 1000 * (start + 60_000)) < 400_000
        await here.shows("#entries", "A trip: raised.")
        await page.get_by_role("button", name="trips").click()
        await expect(page.locator("#kinds [data-kind=trip]")).to_have_attribute("aria-pressed", "false")
        await page.get_by_role("button", name="90 days").click()
        await expect(page.locator("#spans [data-hours='2160']")).to_have_attribute("aria-pressed", "true")
        href = await page.locator("#sheet").get_attribute("href")
        assert href is not None
        assert href.startswith(f"/api/reservoirs/{RESERVOIR}/history.csv?from=")
        await here.is_sound()
        # A phone that is turned has a narrower window before the charts are drawn again.
        await page.evaluate("window.requestAnimationFrame = () => 0")
        await page.set_viewport_size({"width": 320, "height": 700})
        assert await page.evaluate("document.querySelector('#charts .uplot').offsetWidth") > 320
        await here.is_sound()
        await window.close()
