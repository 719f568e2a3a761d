"""Two reservoirs on one page in a real browser, with the page's own process and a scripted daemon."""

import asyncio
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import asynccontextmanager
from dataclasses import replace

import pytest
from playwright.async_api import Browser, expect

from bridge.daemon.page_lines import CommandResult, command_result_line, view_line
from bridge.station.view import ActiveAlarm, StationView
from tests.web.browser import WIDTHS, Looking, Scheme, chromium, looking, refused_by_axe
from tests.web.conftest import IDENTITY, TOKEN, Alone, alone_with

pytestmark = pytest.mark.needs("chromium", "nodejs")

BUTT = replace(IDENTITY, reservoir="rain-butt", name="The rain butt behind the greenhouse", factor=0.7)
EVERY_S = 1.0


@pytest.fixture
def house() -> Iterator[Alone]:
    with alone_with(IDENTITY, BUTT) as one:
        yield one


@pytest.fixture
def butt(view: StationView) -> StationView:
    """A reservoir with water over its limit, and the alarm for it."""
    alarm = ActiveAlarm("product-over-limit", "unacknowledged", "The product is over its limit.", False)
    return replace(view, identity=BUTT, product_ppm=80.0, reservoir_verdict="unsuitable", alarms=(alarm,))


@asynccontextmanager
async def told(house: Alone, *views: StationView) -> AsyncIterator[Callable[[StationView], None]]:
    """A bridge that reports its state repeatedly. The test sets the state."""
    now: dict[str, StationView] = {}

    def change(view: StationView) -> None:
        now[view.identity.reservoir] = view
        house.tell(view_line(view))

    async def tell() -> None:
        while True:
            for one in now.values():
                house.tell(view_line(one))
            await asyncio.sleep(EVERY_S)

    for view in views:
        change(view)
    task = asyncio.create_task(tell())
    yield change
    task.cancel()


async def chosen(here: Looking, name: str) -> None:
    await expect(here.page.locator("h1")).to_have_text(name)
    await expect(here.page.locator("#chooser [aria-current=true]")).to_contain_text(name)
    await expect(here.page.locator("#chooser [aria-current=true]")).to_have_count(1)


@pytest.mark.parametrize("width", WIDTHS)
async def test_one_of_two_reservoirs_is_chosen_and_shown_and_commanded(
    house: Alone, view: StationView, butt: StationView, width: int
) -> None:
    async with (
        told(house, view, butt) as change,
        chromium() as browser,
        looking(browser, house.url, width) as here,
    ):
        page = here.page
        await chosen(here, IDENTITY.name)
        await here.shows("#answer-word", "Yes")
        buttons = page.locator("#chooser button")
        await expect(buttons).to_have_text(
            [
                f"{IDENTITY.name} 120 L, 5 to 9 days Yes ",
                f"{BUTT.name} 120 L, 5 to 9 days 1 alarm No",
            ]
        )
        await here.is_sound()

        await page.get_by_role("button", name=BUTT.name).press("Enter")
        await chosen(here, BUTT.name)
        await expect(page.locator("h1")).to_be_focused()
        await here.shows("#answer-word", "No")
        await here.shows("#alarms", "The purified water is over its limit")
        await here.use(TOKEN)
        await here.said("The token is right.")
        await page.get_by_label("Measured in the product, ppm (0.7 ppm per µS/cm)").fill("8")
        await page.get_by_role("button", name="Enter the retest").click()
        asked = await house.asked()
        assert (asked.reservoir, asked.property, asked.value, asked.unit) == (
            BUTT.reservoir, "product/retest", "8", "ppm",
        )  # fmt: skip
        house.tell(command_result_line(CommandResult(asked.number, "done", "Done.")))
        await here.said(f"{BUTT.name}, retest of 8 ppm: Done. The bridge answered at ")
        await here.is_sound()

        # A change of the other reservoir is visible from here.
        change(replace(view, reservoir_verdict="marginal", product_ppm=30.0))
        await expect(buttons.first).to_contain_text("Yes, with care")
        await page.reload()
        await chosen(here, BUTT.name)
        await page.get_by_role("button", name=IDENTITY.name).click()
        await chosen(here, IDENTITY.name)
        await expect(page.locator("#alarms li")).to_have_count(0)
        await here.is_sound()


async def test_an_idle_page_with_a_choice_of_reservoirs_is_accessible(
    house: Alone, view: StationView, butt: StationView
) -> None:
    async def found(browser: Browser, width: int, scheme: Scheme) -> list[str]:
        return await refused_by_axe(browser, house.url, width, scheme)

    async with told(house, view, butt), chromium() as browser:
        async with looking(browser, house.url) as here:
            await here.shows("#valve-state", "SHUT")
            await here.shows("#valve-phase", "idle")
        for width in WIDTHS:
            assert await found(browser, width, "light") == []
            assert await found(browser, width, "dark") == []
