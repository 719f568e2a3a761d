"""Entries that people make on the page: the watering round ticked off on a phone, and a sample taken back."""

import asyncio
import time
from collections.abc import Iterator
from functools import partial
from pathlib import Path
from typing import Any

import httpx
import pytest
from playwright.async_api import Page, Route, expect

from bridge.config.plan import LogPlan, TraysPlan
from bridge.demo import RESERVOIR
from bridge.forecast.by_hand import ShelfPlan
from bridge.history.reader import Reader
from bridge.history.records import EntryRow, Kind, Litres, LitresRow, SampleRow, Stamp
from bridge.history.waiting import LogSettings
from bridge.history.writer import add
from bridge.trays.round import RoundSettings
from bridge.trays.tray import TrayPlan
from bridge.web.round import Tick, tick_in
from tests.web.browser import chromium, looking
from tests.web.conftest import TOKEN, Begin, Site

DAY_MS = 86_400_000
TRAYS = ("south", "middle", "bog", "north")


def sample(stamp: Stamp, ident: str, at_ms: int) -> EntryRow:
    return SampleRow(stamp, ident, "tray", 18.0, 9.0, 0.5, 0.5, None, "off", "suitable", "", at_ms)


def row(stamp: Stamp, ident: str, what: Litres, litres: float, at_ms: int) -> EntryRow:
    return LitresRow(stamp, ident, what, litres, "", at_ms)


@pytest.fixture
def garden(tmp_path: Path) -> dict[str, Any]:
    """Four trays that took 14 L every second day and had 9 ppm two days ago, and jugs with 200 L."""
    log = LogPlan(tmp_path / "clearwell.db", LogSettings())
    now_ms = int(time.time() * 1000)

    def entries() -> Iterator[Any]:
        yield partial(row, ident="jugs", what=Litres.PUT, litres=200.0, at_ms=now_ms - 20 * DAY_MS)
        for ident in TRAYS:
            for days in range(20, 0, -2):
                yield partial(row, ident=ident, what=Litres.FILLED, litres=14.0, at_ms=now_ms - days * DAY_MS)
            yield partial(sample, ident=ident, at_ms=now_ms - 2 * DAY_MS)

    add(log.path, *entries())
    trays = tuple(
        TrayPlan(ident, f"The {ident} bench", 0.9, 30.0, 70.0, "jugs", pots=24, covered=True)
        for ident in TRAYS
    )
    return {
        "log": log,
        "trays": TraysPlan(trays, RoundSettings(can_l=8.0)),
        "shelves": (ShelfPlan("jugs", "Jugs", 0.5, 50.0, 25.0),),
    }


def ticked(log: Path) -> dict[str, list[float]]:
    """Returns the litres of each tick that counts, by tray."""
    with Reader(log) as reader:
        rows = list(reader.events(0, reader.span_ms()[1] + 1, kinds=(Kind.LITRES,)))
    return {
        ident: [
            one.litres
            for one in rows
            if isinstance(one, LitresRow) and one.reservoir == ident and one.note.startswith("tick ")
        ]
        for ident in TRAYS
    }


async def sent(site: Site, act: str, tick: str, **changed: object) -> httpx.Response:
    body = {"tick": tick, "tray": "south", "kind": "give", "amount": 4.5, "date": "2999-01-01"} | changed
    return await site.web.post(
        f"/api/round/{act}", json=body, headers={"authorization": f"Bearer {TOKEN}", "origin": site.url}
    )


async def test_a_tick_that_arrives_many_times_is_one_entry_and_stays_taken_back(
    begin: Begin, garden: dict[str, Any]
) -> None:
    log = garden["log"].path
    async with begin(**garden) as site:
        answers = await asyncio.gather(*(sent(site, "tick", "a1") for _ in range(8)))
        assert {answer.status_code for answer in answers} == {200}
        assert ticked(log)["south"] == [4.5]
        # The phone's litres count, and its clock may run ahead.
        listed = (await site.web.get("/api/round")).json()
        (south, *_) = listed["trays"]
        assert [(done["amount"], done["tick"]) for done in south["done"]] == [(4.5, "a1")]
        assert "4.5 L poured in" in south["done"][0]["words"]
        assert (await sent(site, "untick", "a1")).status_code == 200
        # A copy of the tick that was under way for long.
        assert "taken back" in (await sent(site, "tick", "a1")).json()["sentence"]
        assert ticked(log)["south"] == []
        filled = await sent(site, "tick", "a2", kind="fill", amount=6.0)
        assert filled.status_code == 200
        refused = await sent(site, "tick", "a3", tray="east")
        assert (refused.status_code, refused.json()["sentence"][:29]) == (
            409,
            "East: there is no such tray; ",
        )
        assert (await sent(site, "tick", "a 4")).status_code == 400
        stranger = await site.web.post("/api/round/tick", json={})
        assert stranger.status_code == 401
        assert ticked(log)["south"] == [6.0]


async def test_a_reading_of_a_tray_is_entered_once_with_the_accuracy_of_a_usual_meter(
    begin: Begin, garden: dict[str, Any]
) -> None:
    async with begin(**garden) as site:
        for _ in range(2):
            answer = await sent(site, "tick", "b1", kind="sample", amount=30, unit="µS/cm")
            assert answer.json()["sentence"] == "south: the sample of 30 µS/cm is entered."
        with Reader(garden["log"].path) as reader:
            rows = list(reader.events(0, reader.span_ms()[1] + 1, kinds=(Kind.SAMPLE,), reservoir="south"))
        _, entered = rows
        assert isinstance(entered, SampleRow)
        assert (entered.dissolved_solids_ppm, entered.factor, entered.meter) == (15.0, 0.5, "usual")
        # 2 % of 1999 µS/cm as a limit of error are 40 µS/cm / sqrt(3), expanded by 2, and half of it as ppm.
        assert entered.uncertainty_ppm == pytest.approx(0.5 * 2 * 0.02 * 1999 / 3**0.5, rel=0.05)
        (south, *_) = (await site.web.get("/api/round")).json()["trays"]
        assert [(done["words"], done["tick"]) for done in south["done"]] == [("Measured: 15 ppm", "b1")]
        assert (await sent(site, "untick", "b1", kind="sample", unit="ppm")).status_code == 200
        (south, *_) = (await site.web.get("/api/round")).json()["trays"]
        assert south["done"] == []


@pytest.mark.parametrize(
    "wrong",
    [
        {"tick": ""}, {"tick": "x" * 65}, {"tick": 7}, {"kind": "steal"}, {"amount": 0}, {"amount": True},
        {"amount": float("nan")}, {"amount": 1e9}, {"kind": "sample"}, {"kind": "sample", "unit": "g"},
        {"kind": "sample", "unit": "ppm", "amount": -1}, {"date": "tomorrow"}, {"tray": None},
    ],
)  # fmt: skip
def test_a_malformed_tick_is_refused_with_its_form(wrong: dict[str, object]) -> None:
    right = {"tick": "a1", "tray": "south", "kind": "give", "amount": 4, "date": "2026-07-01"}
    assert isinstance(tick_in(right), Tick)
    refused = tick_in(right | wrong)
    assert isinstance(refused, str)
    assert refused.startswith("A tick has the form")


@pytest.mark.slow
@pytest.mark.needs("chromium", "nodejs")
async def test_a_round_is_ticked_off_on_a_phone_that_is_offline_in_between(
    begin: Begin, garden: dict[str, Any]
) -> None:
    log = garden["log"].path
    async with begin(**garden) as site, chromium() as browser, looking(browser, site.url, 360) as here:
        page = here.page
        site.board.read(20.0)
        await here.shows("#round-word", "4 of 4 to do")
        await page.locator("#token-keep").evaluate("box => { box.checked = true; }")
        await here.use(TOKEN)
        await here.said("The token is right.")
        await page.evaluate("navigator.serviceWorker.ready.then(() => 0)")
        await page.locator("#round-word").click()
        await here.shows("#round h3 >> nth=0", "The south bench")
        await here.is_sound()

        # The answer to the first tick is lost on its way to the phone.
        async def lose(route: Route) -> None:
            await route.fetch()
            await route.abort()

        await page.route("**/api/round/tick", lose)
        await tick(page, "The south bench").check()
        await here.shows("#round-queue", "One tick waits in this browser until the bridge answers.")
        assert len(ticked(log)["south"]) == 1
        await page.unroute("**/api/round/tick")

        await page.context.set_offline(True)
        await tick(page, "The middle bench").check()
        await tick(page, "The bog bench").press("Space")
        assert await page.evaluate("document.activeElement.dataset.act.startsWith('bog give ')")
        await here.shows("#round-queue", "3 ticks wait in this browser")
        await page.reload()
        await here.shows("#stream", "No connection to the bridge.")
        await here.shows("#round-word", "1 of 4 to do")
        await page.locator("#round-word").click()
        await expect(tick(page, "The bog bench")).to_be_checked()
        await tick(page, "The bog bench").uncheck()
        await here.shows("#round-word", "2 of 4 to do")
        await tick(page, "The north bench").check()
        assert sum(map(len, ticked(log).values())) == 1

        await page.context.set_offline(False)
        await here.shows("#stream", "Live, ")
        await expect(page.locator("#round-count")).to_have_text("1 of 4 to do")
        await expect(page.locator("#round-queue")).to_be_empty()
        assert {ident: len(litres) for ident, litres in ticked(log).items()} == {
            "south": 1, "middle": 1, "bog": 0, "north": 1,
        }  # fmt: skip
        # What was ticked stays ticked, and can be taken back from any browser.
        await expect(tick(page, "The north bench")).to_be_checked()
        async with looking(browser, site.url) as other:
            await other.use(TOKEN)
            await other.said("The token is right.")
            await tick(other.page, "The north bench").press("Space")
            await expect(other.page.locator("#round-count")).to_have_text("2 of 4 to do")
            focused = "document.activeElement.closest('#round-depth') !== null"
            assert await other.page.evaluate(focused), "the keyboard must not be thrown to the top"
            # A window of 1280 px at 400 % has 320 CSS px.
            await other.page.set_viewport_size({"width": 320, "height": 256})
            await other.page.evaluate(
                "document.querySelectorAll('details').forEach((one) => { one.open = true; })"
            )
            await other.is_sound()
        expect_ticks(log, south=1, middle=1, bog=0, north=0)
        await page.locator("#round > li", has_text="The bog bench").get_by_text("Another amount").click()
        await page.locator("#amount-bog").fill("9,5")
        await page.get_by_role("button", name="Enter the amount of The bog bench").click()
        await here.shows("#round", "Filled to its mark with 9.5 L")
        await expect(page.locator("#round .waiting")).to_have_count(0)
        assert ticked(log)["bog"] == [9.5]


@pytest.mark.slow
@pytest.mark.needs("chromium", "nodejs")
async def test_a_tray_that_nobody_has_measured_takes_its_reading_on_the_page(
    begin: Begin, garden: dict[str, Any], tmp_path: Path
) -> None:
    garden["log"] = LogPlan(tmp_path / "empty.db", LogSettings())
    async with begin(**garden) as site, chromium() as browser, looking(browser, site.url) as here:
        site.board.read(20.0)
        await here.use(TOKEN)
        await here.said("The token is right.")
        # Only samples are due, so there is nothing to carry.
        await expect(here.page.locator("#round-needs li")).to_have_count(0)
        await here.page.get_by_label("Measured in it, ppm (0.5 ppm per µS/cm)").first.fill("11,5")
        await here.page.get_by_role("button", name="Enter the sample of The south bench").click()
        south = "#round > li >> nth=0"
        await here.shows(south, "Measured: 11.5 ppm")
        await here.shows(south, "in the log")
        with Reader(garden["log"].path) as reader:
            rows = list(reader.events(0, reader.span_ms()[1] + 1, kinds=(Kind.SAMPLE,), reservoir="south"))
        assert [one.dissolved_solids_ppm for one in rows if isinstance(one, SampleRow)] == [11.5]


def tick(page: Page, bench: str) -> Any:
    return page.locator("#round > li", has_text=bench).locator("input[type=checkbox]")


def expect_ticks(log: Path, **counts: int) -> None:
    assert {ident: len(litres) for ident, litres in ticked(log).items()} == counts


def samples(log: Path, *, undone: bool) -> list[float]:
    with Reader(log) as reader:
        rows = reader.events(
            0, reader.span_ms()[1] + 1, kinds=(Kind.SAMPLE,), reservoir=RESERVOIR, undone=undone
        )
        return [one.dissolved_solids_ppm for one in rows if isinstance(one, SampleRow)]


@pytest.mark.slow
@pytest.mark.needs("chromium", "nodejs")
async def test_a_sample_is_taken_back_on_the_page_and_stays_in_the_log(begin: Begin, tmp_path: Path) -> None:
    log = LogPlan(tmp_path / "clearwell.db", LogSettings())
    async with begin(log=log) as site, chromium() as browser, looking(browser, site.url) as here:
        page = here.page
        site.board.read(20.0)
        await here.use(TOKEN)
        await here.said("The token is right.")
        for ppm in ("9", "90"):
            await page.locator("#sample").fill(ppm)
            await page.get_by_role("button", name="Enter the sample").click()
            await here.said(f"sample of {ppm} ppm: Done.")
        await here.shows("#last-sample-words", "The last one: 90.0 ppm, of ")
        # A second browser has shown the earlier state for long.
        old = int(await page.locator("#take-back").get_attribute("data-entered") or "0")
        await page.get_by_role("button", name="Take it back").click()
        await here.shows("#confirm-text", "Take back the sample 90.0 ppm, of ")
        await page.locator("#confirm-yes").click()
        await here.said("Taken back: the sample of reservoir, 90 ppm, of ")
        await here.said("Measure the reservoir again")
        await here.shows("#last-sample-words", "The last one: 9.00 ppm, of ")
        assert (samples(log.path, undone=False), samples(log.path, undone=True)) == ([9.0], [9.0, 90.0])
        again = await site.web.post(
            f"/api/reservoirs/{RESERVOIR}/take-back", json={"entered": old},
            headers={"authorization": f"Bearer {TOKEN}", "origin": site.url},
        )  # fmt: skip
        assert again.status_code == 409
        assert samples(log.path, undone=False) == [9.0]
        entries = (await site.web.get(f"/api/reservoirs/{RESERVOIR}/entries?kinds=event")).json()
        assert any("was taken back. By the page." in one["sentence"] for one in entries)
