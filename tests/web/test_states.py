"""The sentences of the most important states on a phone, above the fold, and axe-core on each of them."""

from dataclasses import replace

import pytest
from playwright.async_api import expect

from bridge.daemon.page_lines import Fittings, view_line
from bridge.guard.faults import FAULTS
from bridge.guard.model import Advisory, AlarmId, Trip
from bridge.station.view import ActiveAlarm, StationView
from tests.web.browser import Looking, Scheme, axe, chromium, looking
from tests.web.conftest import IDENTITY, alone_with

pytestmark = [pytest.mark.needs("chromium", "nodejs"), pytest.mark.slow]

PHONE = 360
FOLD = 800
"""The height of the window in CSS pixels."""
SCHEMES: tuple[Scheme, ...] = ("light", "dark")
FITTINGS = Fittings(refill_l=100.0, fill_l=180.0, lead_days=3.0)
BARRELS = tuple(
    replace(IDENTITY, reservoir=f"barrel-{number}", name=f"Barrel {number}") for number in range(1, 7)
)


def raised(alarm: AlarmId) -> ActiveAlarm:
    return ActiveAlarm(alarm.value, "latched-unacknowledged", FAULTS[alarm].sentence, False)


def tripped(view: StationView, *trips: Trip, **changed: object) -> StationView:
    return replace(
        view, phase="tripped", first_out=trips[0].value, latched_trips=tuple(trip.value for trip in trips),
        missing_permissives=("no-trip",), alarms=tuple(raised(trip) for trip in trips), **changed,  # type: ignore[arg-type]
    )  # fmt: skip


def states(view: StationView) -> dict[str, tuple[StationView, dict[str, str]]]:
    """Returns each state with the sentences that must be on the screen of a phone."""
    safe = {"#answer-word": "Yes", "#lasts": "5 to 9 days"}
    return {
        "full": (
            replace(view, missing_permissives=("below-fill-mark",), zone="full"),
            {
                **safe,
                "#volume": "120 L of 200 L",
                "#marks": "fills at 100 L, up to 180 L",
                "#valve-state": "SHUT",
                "#valve-phase": "the reservoir is full",
                "#todo": "Nothing.",
                "#alarms-word": "none",
            },
        ),
        "filling": (
            replace(view, phase="fill", valve_decided="fill", valve_reported="fill", product_state="flowing"),
            {
                **safe,
                "#valve-state": "OPEN to the reservoir",
                "#valve-phase": "filling",
                "#todo": "Nothing.",
            },
        ),
        "rinsing": (
            replace(view, phase="rinse", valve_decided="drain", valve_reported="drain", product_ppm=61.0),
            {**safe, "#valve-state": "OPEN to the drain", "#valve-phase": "rinsing", "#todo": "Nothing."},
        ),
        "water that stands in the purifier": (
            replace(view, product_ppm=61.0, product_state="standing"),
            {**safe, "#valve-state": "SHUT", "#todo": "Nothing.", "#alarms-word": "none"},
        ),
        "a trip that protected good water": (
            tripped(view, Trip.PRODUCT_OVER_LIMIT, Trip.FILL_OVER_TIME, product_ppm=318.0),
            {
                **safe,
                "#valve-phase": "tripped",
                "#alarms-word": "2 alarms: The purified water is over its limit",
                "#todo": "Change the cartridge, or look after the purifier.",
            },
        ),
        "water over the limit": (
            replace(view, reservoir_ppm=60.0, reservoir_verdict="unsuitable"),
            {
                "#answer-word": "No",
                "#answer-then": "Do not use this water.",
                "#answer-held": "It has 60 ppm",
                "#lasts": "5 to 9 days",
                "#lasts-until": "of water that is not fit",
                "#todo": "Empty the reservoir. If you doubt the figure, measure its water",
            },
        ),
        "only assumed": (
            replace(view, reservoir_verdict="unknown", reservoir_basis="assumed", reservoir_ppm=20.0,
                    reservoir_uncertainty_ppm=40.0, cover_days=None, cover_low_days=None,
                    cover_high_days=None),
            {
                "#answer-word": "Not known",
                "#answer-then": "Measure this water, and enter the sample.",
                "#answer-held": "by assumption",
                "#lasts": "not known yet",
                "#todo": "Measure the water in the reservoir and enter the sample.",
            },
        ),
        "a failed probe": (
            tripped(view, Trip.PROBE_FAILURE, product_health="failure", product_state="failed"),
            {
                **safe,
                "#alarms-word": "1 alarm: The product probe gives no value that can be trusted",
                "#todo": "Check that the cell is immersed and plugged in.",
            },
        ),
        "a nearly spent cartridge": (
            replace(view, days_left=4.0, days_left_low=2.1, days_left_high=6.5, order_now=True,
                    alarms=(raised(Advisory.ORDER_CARTRIDGE),)),
            {
                **safe,
                "#life": "2.1 to 6 days",
                "#life-until": "or later; order by ",
                "#order": "Order the next one now.",
                "#todo": "Order the next cartridge or membrane now.",
            },
        ),
        "a lost link": (
            tripped(view, Trip.LINK_LOST, link_up=False, volume_l=None, level_fraction=None, zone="unknown",
                    product_health="failure", product_ppm=None, valve_reported="unknown"),
            {
                **safe,
                "#volume": "120 L of 200 L",
                "#volume-age": "ago",
                "#valve-state": "not known",
                "#valve-phase": "the controller shuts it by itself when the bridge is away",
                "#alarms-word": "1 alarm: The controller has sent no message that can be read for too long",
                "#todo": "Check the power supply of the controller.",
            },
        ),
    }  # fmt: skip


async def above_the_fold(here: Looking, name: str, sentences: dict[str, str]) -> None:
    """Checks that sentences are on the screen without scrolling."""
    for selector, text in sentences.items():
        await here.shows(selector, text)
        box = await here.page.locator(selector).bounding_box()
        assert box is not None, f"{name}: {selector} is hidden"
        assert box["y"] + box["height"] <= FOLD, f"{name}: {selector} is below the fold"


async def accept_by_axe(here: Looking, name: str) -> None:
    for scheme in SCHEMES:
        await here.page.emulate_media(color_scheme=scheme)
        found = await here.page.evaluate("axe.run()")
        assert len(found["passes"]) > 20
        bad = [one["id"] for one in found["violations"] if one["impact"] in ("serious", "critical")]
        assert bad == [], f"{name}, {scheme}"


async def test_the_sentences_of_each_state_are_on_the_screen_of_a_phone(view: StationView) -> None:
    with alone_with(IDENTITY, fittings=(FITTINGS,)) as house:
        house.tell(view_line(view))
        async with chromium() as browser, looking(browser, house.url, PHONE, bypass_csp=True) as here:
            await here.page.evaluate(axe())
            for name, (state, sentences) in states(view).items():
                house.tell(view_line(state))
                # May I water now, how long will it last, what must I do?
                assert {"#answer-word", "#lasts", "#todo"} <= sentences.keys()
                await above_the_fold(here, name, sentences)
                # Red is for a trip; an advisory, such as an order that is due, is no danger.
                red = here.page.locator("#alarms-word.tripped")
                await expect(red).to_have_count(1 if state.latched_trips else 0)
                await accept_by_axe(here, name)
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


async def test_six_barrels_have_a_line_each_and_the_chosen_one_its_answer_on_the_screen_of_a_phone(
    view: StationView,
) -> None:
    views = [replace(view, identity=one) for one in BARRELS]
    views[3] = replace(tripped(views[3], Trip.OVERFLOW), reservoir_verdict="unsuitable")
    with alone_with(*BARRELS) as house:
        for one in views:
            house.tell(view_line(one))
        async with chromium() as browser, looking(browser, house.url, PHONE, bypass_csp=True) as here:
            await here.page.evaluate(axe())
            lines = here.page.locator("#chooser button")
            await expect(lines).to_have_count(6)
            for number in range(6):
                says = "1 alarm No" if number == 3 else "Yes"
                line = f"#chooser button >> nth={number}"
                await above_the_fold(
                    here, f"line {number + 1}", {line: f"Barrel {number + 1} 120 L, 5 to 9 days"}
                )
                await here.shows(line, says)
            await above_the_fold(
                here, "the chosen one", {"#answer-word": "Yes", "#lasts": "5 to 9 days", "#todo": "Nothing."}
            )
            await accept_by_axe(here, "six barrels")
            await here.is_sound()


async def test_with_forced_colours_the_level_and_the_phase_can_still_be_seen(view: StationView) -> None:
    with alone_with(IDENTITY, fittings=(FITTINGS,)) as house:
        house.tell(view_line(view))
        async with (
            chromium() as browser,
            looking(browser, house.url, PHONE, forced_colors="active") as here,
        ):
            await here.shows("#volume", "120 L of 200 L")
            await here.page.locator("#valve-depth summary").click()
            water, empty = await here.page.evaluate(
                "['#stock-water', 'body'].map((one) => "
                "getComputedStyle(document.querySelector(one)).backgroundColor)"
            )
            assert water != empty, "the bar looks empty"
            marked = await here.page.locator("#sequence li").evaluate_all(
                "all => all.map((one) => getComputedStyle(one).borderBottomColor)"
            )
            assert len(set(marked)) == 2, "every phase looks like the present one"


async def test_on_paper_the_level_is_seen_and_nothing_is_there_to_press(view: StationView) -> None:
    with alone_with(IDENTITY, fittings=(FITTINGS,)) as house:
        house.tell(view_line(view))
        async with chromium() as browser, looking(browser, house.url) as here:
            await here.shows("#volume", "120 L of 200 L")
            await here.page.locator("#hand-depth summary").click()
            await here.page.emulate_media(media="print")
            await expect(here.page.locator("#hand-depth")).to_be_hidden()
            await expect(here.page.locator("button:visible")).to_have_count(0)
            await expect(here.page.locator("#stock-water")).to_have_css("print-color-adjust", "exact")


async def test_a_page_whose_bridge_has_stopped_keeps_its_values_with_their_age(view: StationView) -> None:
    with alone_with(IDENTITY) as house:
        house.tell(view_line(view))
        async with chromium() as browser, looking(browser, house.url, PHONE, bypass_csp=True) as here:
            await here.shows("#volume", "120 L of 200 L")
            await here.page.evaluate(axe())
            await here.page.evaluate("navigator.serviceWorker.ready.then(() => 0)")
            assert house.process.stdin is not None
            house.process.stdin.close()
            house.process.wait()
            await here.shows("#stream", "No connection to the bridge. This page shows the state at ")
            await here.shows("#volume", "120 L of 200 L")
            await here.shows("#volume-age", "ago")
            await here.shows("#valve-state", "not known")
            await here.shows("#valve-phase", "it was SHUT")
            await here.shows("#alarms-word", "none at ")
            await above_the_fold(
                here,
                "stopped",
                {
                    "#answer-word": "Not known now",
                    "#lasts": "5 to 9 days",
                    "#todo": "Check the power and the network of the bridge.",
                },
            )
            await accept_by_axe(here, "stopped")
            # The worker kept the files, so the page opens again without the bridge and shows the same.
            await here.page.reload()
            await here.shows("#stream", "No connection to the bridge. This page shows the state at ")
            await here.shows("#volume", "120 L of 200 L")
            await here.shows("#answer-word", "Not known now")
            # What to do about a fault can still be read.
            await here.page.goto(f"{house.url}/manual/faults#overflow")
            await here.shows("#overflow", "overflow")
