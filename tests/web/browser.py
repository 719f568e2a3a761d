"""Debian's Chromium, headless, opens the page. axe-core checks its accessibility."""

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any, Literal
from urllib.parse import urlsplit

from playwright.async_api import Browser, Page, async_playwright, expect

from tests.node.modules import node_modules
from tests.waiting import DEADLINE_S

CHROMIUM = "/usr/bin/chromium"
ARGUMENTS = [
    "--headless=new", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
]  # fmt: skip
expect.set_options(timeout=1000.0 * DEADLINE_S)
WIDTHS = (360, 1440)
"""A small screen and a wide one, in CSS pixels."""
Scheme = Literal["light", "dark"]


class Looking:
    """A browser window, with the errors that occurred in it."""

    def __init__(self, page: Page, url: str) -> None:
        self.page = page
        self.url = url
        self.complaints: list[str] = []
        self.hosts: set[str] = set()
        page.on("console", lambda message: self.complaints.append(message.text))
        page.on("pageerror", lambda error: self.complaints.append(str(error)))
        page.on("request", lambda request: self.hosts.add(urlsplit(request.url).netloc))

    async def shows(self, selector: str, text: str) -> None:
        await expect(self.page.locator(selector)).to_contain_text(text)

    async def use(self, token: str) -> None:
        await self.page.evaluate("document.querySelector('#hand-depth').open = true")
        await self.page.get_by_label("Token").fill(token)
        await self.page.get_by_role("button", name="Use this token").click()

    async def said(self, text: str) -> None:
        await self.shows("#said", text)

    async def is_sound(self) -> None:
        """Checks that no request failed or went to another host, and that nothing exceeds the window."""
        assert self.complaints == []
        assert self.hosts == {urlsplit(self.url).netloc}
        wide, window = await self.page.evaluate("[document.documentElement.scrollWidth, innerWidth]")
        assert wide <= window, f"the page is {wide} px wide in a window of {window} px"


@asynccontextmanager
async def chromium() -> AsyncIterator[Browser]:
    async with async_playwright() as driver:
        browser = await driver.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS)
        yield browser
        await browser.close()


@asynccontextmanager
async def looking(
    browser: Browser, url: str, width: int = 1440, scheme: Scheme = "light", **more: Any
) -> AsyncIterator[Looking]:
    window = await browser.new_context(
        viewport={"width": width, "height": 800}, color_scheme=scheme, reduced_motion="reduce", **more
    )
    window.set_default_timeout(1000.0 * DEADLINE_S)
    page = await window.new_page()
    here = Looking(page, url)
    await page.goto(url)
    yield here
    await window.close()


def axe() -> str:
    return Path(node_modules(), "axe-core", "axe.min.js").read_text(encoding="utf-8")


async def refused_by_axe(browser: Browser, url: str, width: int, scheme: Scheme) -> list[str]:
    """Returns the serious and critical findings of axe-core, which runs outside the content policy."""
    async with looking(browser, url, width, scheme, bypass_csp=True) as here:
        await here.shows("#volume", " of ")
        await here.page.evaluate(
            "document.querySelectorAll('details').forEach((one) => { one.open = true; })"
        )
        await here.page.evaluate(axe())
        found = await here.page.evaluate("axe.run()")
    assert len(found["passes"]) > 20, "axe-core hardly looked"
    return [
        f"{one['id']} at {[node['target'] for node in one['nodes']]}"
        for one in found["violations"]
        if one["impact"] in ("serious", "critical")
    ]
