"""The sentences of the most important states on a phone, above the fold, and axe-core on each of them."""

from dataclasses import replace

import pytest
from playwright.async_api import expect

from bridge.daemon.page_lines import view_line
from bridge.guard.faults import FAULTS
from bridge.guard.model import Advisory, AlarmId, Trip
from bridge.station.view import ActiveAlarm, StationView
from tests.web.browser import axe, chromium, looking
from tests.web.conftest import IDENTITY, alone_with

pytestmark = [pytest.mark.needs("chromium", "nodejs"), pytest.mark.slow]

PHONE = 360
FOLD = 800
"""The height of the window in CSS pixels."""


def raised(alarm: AlarmId) -> ActiveAlarm:
    return ActiveAlarm(alarm.value, "latched-unacknowledged", FAULTS[alarm].sentence, False)


def tripped(view: StationView, *trips: Trip, **changed: object) -> StationView:
    return replace(
        view, phase="tripped", first_out=trips[0].value, latched_trips=tuple(trip.value for trip in trips),
        missing_permissives=("no-trip",), alarms=tuple(raised(trip) for trip in trips), **changed,  # type: ignore[arg-type]
    )  # fmt: skip


def states(view: StationView) -> dict[str, tuple[StationView, dict[str, str]]]:
    """Returns each state with the sentences that must be on the screen of a phone."""
    return {
        "full": (
            replace(view, missing_permissives=("below-fill-mark",), zone="full"),
            {
                "#answer-word": "Yes",
                "#volume": "120 L of 200 L",
                "#lasts": "5 to 9 days",
                "#valve-state": "SHUT",
                "#valve-phase": "the reservoir is full",
                "#alarms-word": "none",
            },
        ),
        "filling": (
            replace(view, phase="fill", valve_decided="fill", valve_reported="fill", product_state="flowing"),
            {"#answer-word": "Yes", "#valve-state": "OPEN to the reservoir", "#valve-phase": "filling"},
        ),
        "rinsing": (
            replace(view, phase="rinse", valve_decided="drain", valve_reported="drain", product_ppm=61.0),
            {"#answer-word": "Yes", "#valve-state": "OPEN to the drain", "#valve-phase": "rinsing"},
        ),
        "a trip that protected good water": (
            tripped(view, Trip.PRODUCT_OVER_LIMIT, Trip.FILL_OVER_TIME, product_ppm=318.0),
            {
                "#answer-word": "Yes",
                "#valve-phase": "tripped",
                "#alarms-word": "2 alarms: The purified water is over its limit",
            },
        ),
        "water over the limit": (
            replace(view, reservoir_ppm=60.0, reservoir_verdict="unsuitable"),
            {"#answer-word": "No", "#answer-then": "Do not use this water.", "#answer-held": "It has 60 ppm"},
        ),
        "only assumed": (
            replace(view, reservoir_verdict="unknown", reservoir_basis="assumed", reservoir_ppm=20.0,
                    reservoir_uncertainty_ppm=40.0, cover_days=None, cover_low_days=None,
                    cover_high_days=None),
            {
                "#answer-word": "Not known",
                "#answer-then": "Measure this water, and send the sample.",
                "#answer-held": "by assumption",
                "#lasts": "not known yet",
            },
        ),
        "a failed probe": (
            tripped(view, Trip.PROBE_FAILURE, product_health="failure", product_state="failed"),
            {
                "#answer-word": "Yes",
                "#alarms-word": "1 alarm: The product probe gives no value that can be trusted",
            },
        ),
        "a nearly spent cartridge": (
            replace(view, days_left=4.0, days_left_low=2.1, days_left_high=6.5, order_now=True,
                    alarms=(raised(Advisory.ORDER_CARTRIDGE),)),
            {"#life": "2.1 to 6 days", "#life-until": "or later", "#order": "Order the next one now."},
        ),
        "a lost link": (
            tripped(view, Trip.LINK_LOST, link_up=False, volume_l=None, level_fraction=None, zone="unknown",
                    product_health="failure", product_ppm=None, valve_reported="unknown"),
            {
                "#volume": "120 L of 200 L",
                "#volume-age": "ago",
                "#valve-state": "not known",
                "#valve-phase": "the controller shuts it by itself when the bridge is away",
                "#alarms-word": "1 alarm: No good frame has arrived from the controller for too long",
            },
        ),
    }  # fmt: skip


async def test_the_sentences_of_each_state_are_on_the_screen_of_a_phone(view: StationView) -> None:
    with alone_with(IDENTITY) as house:
        house.tell(view_line(view))
        async with chromium() as browser, looking(browser, house.url, PHONE, bypass_csp=True) as here:
            await here.page.evaluate(axe())
            for name, (state, sentences) in states(view).items():
                house.tell(view_line(state))
                for selector, text in sentences.items():
                    await here.shows(selector, text)
                    box = await here.page.locator(selector).bounding_box()
                    assert box is not None, f"{name}: {selector} is hidden"
                    assert box["y"] + box["height"] <= FOLD, f"{name}: {selector} is below the fold"
                found = await here.page.evaluate("axe.run()")
                assert len(found["passes"]) > 20
                bad = [one["id"] for one in found["violations"] if one["impact"] in ("serious", "critical")]
                assert bad == [], name
                await here.is_sound()
            # The permissives say what is not known instead of what held once.
            await here.page.locator("#valve-depth summary").click()
            await here.shows("#permissives-sum", "11 are not known without the controller.")
            await here.shows("#permissives .missing >> nth=0", "missing")
            await expect(here.page.locator("#permissives .unsure")).to_have_count(11)
            await here.page.locator("#why-depth summary").click()
            await here.shows("#product-facts", "not known without the controller")
            house.tell(view_line(replace(view, missing_permissives=("below-fill-mark",))))
            await here.shows("#permissives-sum", "No permissive is missing. The reservoir is full")
            await expect(here.page.locator("#permissives .missing")).to_have_count(0)


async def test_a_page_whose_bridge_has_stopped_keeps_its_values_with_their_age(view: StationView) -> None:
    with alone_with(IDENTITY) as house:
        house.tell(view_line(view))
        async with chromium() as browser, looking(browser, house.url, PHONE) as here:
            await here.shows("#volume", "120 L of 200 L")
            await here.page.evaluate("navigator.serviceWorker.ready.then(() => 0)")
            assert house.process.stdin is not None
            house.process.stdin.close()
            house.process.wait()
            await here.shows("#stream", "No connection to the bridge. This page shows the state at ")
            await here.shows("#answer-word", "Not known now")
            await here.shows("#volume", "120 L of 200 L")
            await here.shows("#volume-age", "ago")
            await here.shows("#valve-state", "not known")
            await here.shows("#valve-phase", "it was SHUT")
            await here.shows("#alarms-word", "none at ")
            # The worker kept the files, so the page opens again without the bridge and shows the same.
            await here.page.reload()
            await here.shows("#stream", "No connection to the bridge. This page shows the state at ")
            await here.shows("#volume", "120 L of 200 L")
            await here.shows("#answer-word", "Not known now")
