"""What the page shows beside the facts: a grower's figures, dates, old values, and alarms as cards."""

import re
from dataclasses import replace

import pytest

from bridge.daemon.page_lines import Fittings
from bridge.display.from_view import plain_ppm
from bridge.guard.faults import FAULTS
from bridge.guard.model import Permissive, Trip
from bridge.guard.rules import RULES, Needs
from bridge.station.view import ActiveAlarm, StationView
from bridge.units import DisplayUnits, SolidsUnit
from bridge.web.glance import STEPS, Glance, glance_of, shown_view

UNITS = DisplayUnits(zone="UTC")
FITTINGS = Fittings(refill_l=100.0, fill_l=180.0, lead_days=7.0)
NOW_S = 1_780_000_000.0
"""2026-05-28, a Thursday."""


def glance(view: StationView, last_s: float | None = None, **raised_ms: int) -> Glance:
    return glance_of(view, FITTINGS, UNITS, NOW_S, last_s, raised_ms)


@pytest.mark.parametrize(
    ("ppm", "band", "shown"),
    [
        (0.1261, 0.0038, "under 2.5 ppm"),
        (2.4, 0.05, "under 2.5 ppm"),
        (2.4, 0.2, "2.4 ppm"),
        (9.44, 0.4, "9.4 ppm"),
        (317.6, 11.6, "318 ppm"),
        (None, None, None),
    ],
)
def test_a_figure_has_the_digits_that_a_grower_needs(
    view: StationView, ppm: float | None, band: float | None, shown: str | None
) -> None:
    assert plain_ppm(view, ppm, band, UNITS) == shown


def test_a_tenth_of_the_target_is_in_the_unit_of_the_page(view: StationView) -> None:
    units = replace(UNITS, solids=SolidsUnit.US_CM)
    assert plain_ppm(view, 0.1, 0.1, units) == "under 5 µS/cm"


def test_stock_and_purifier_have_marks_and_dates(view: StationView) -> None:
    shown = glance(view)
    assert (shown["refill"], shown["fill"]) == (0.5, 0.9)
    assert (shown["refill_text"], shown["fill_text"]) == ("100 L", "180 L")
    # The lower ends: 5 days of water, 17.5 days of the purifier, 7 days until a new one is fitted.
    assert (shown["dry"], shown["spent"]) == ("Tue 2026-06-02", "Mon 2026-06-15")
    assert shown["order"] == "Mon 2026-06-08"
    assert glance(replace(view, days_left_low=3.0))["order"] == "Thu 2026-05-28"
    assert glance(replace(view, days_left_low=None, cover_low_days=500.0))["dry"] is None


def test_a_full_reservoir_at_rest_is_not_a_fault(view: StationView) -> None:
    full = replace(view, missing_permissives=("below-fill-mark",))
    assert glance(full)["idle_because_full"]
    assert not glance(view)["idle_because_full"]
    assert not glance(replace(full, missing_permissives=("below-fill-mark", "no-hold")))["idle_because_full"]
    assert not glance(replace(full, phase="tripped"))["idle_because_full"]


def test_without_a_link_the_last_values_stay_with_their_time(view: StationView) -> None:
    lost = replace(
        view, link_up=False, volume_l=None, level_fraction=None, zone="unknown", product_ppm=None,
        product_health="failure", product_verdict="unknown", valve_reported="unknown",
    )  # fmt: skip
    shown = shown_view(lost, view)
    assert (shown.volume_l, shown.product_ppm, shown.product_health) == (120.0, 6.0, "good")
    assert (shown.product_verdict, shown.valve_reported, shown.link_up) == ("unknown", "unknown", False)
    assert shown_view(lost, None) == lost
    assert shown_view(view, lost) == view
    result = glance(shown, last_s=NOW_S - 180.0)
    assert result["as_of"] == NOW_S - 180
    known = {one.value for one in Permissive} - set(result["unknown"])
    assert known == {"link-fresh", "no-trip", "no-hold"}
    assert glance(view, last_s=NOW_S - 180.0)["as_of"] is None


def test_the_first_trip_is_the_first_card_and_shelved_alarms_come_last(view: StationView) -> None:
    def alarm(name: str, *, shelved: bool = False) -> ActiveAlarm:
        return ActiveAlarm(name, "latched-unacknowledged", "", shelved)

    tripped = replace(
        view, first_out="overflow", latched_trips=("fill-over-time", "overflow"), phase="tripped",
        alarms=(
            alarm("reservoir-low", shelved=True), alarm("order-cartridge"), alarm("fill-over-time"),
            alarm("overflow"),
        ),
    )  # fmt: skip
    cards = glance(tripped, overflow=1_779_999_000_000)["cards"]
    assert [card["id"] for card in cards] == [
        "overflow",
        "fill-over-time",
        "order-cartridge",
        "reservoir-low",
    ]
    assert [card["is_first"] for card in cards] == [True, False, False, False]
    assert [card["raised"] for card in cards] == [1_779_999_000, None, None, None]
    assert cards[0]["heading"] == "The overflow float is up"
    alone = glance(replace(tripped, latched_trips=("overflow",)))["cards"]
    assert not alone[0]["is_first"], "one trip alone is not the first of several"


@pytest.mark.parametrize(
    ("changed", "todo"),
    [
        ({}, "Nothing."),
        ({"hold": True}, "Lift the hold when the reservoir may fill again."),
        ({"reservoir_verdict": "unknown"}, "Measure the water in the reservoir and enter the sample."),
        ({"reservoir_verdict": "marginal"}, "Measure the water in the reservoir and enter the sample."),
        ({"reservoir_verdict": "unsuitable", "hold": True}, "Empty the reservoir. If you doubt the figure, "
         "measure its water and enter the sample."),
    ],
)  # fmt: skip
def test_what_to_do_follows_from_the_answer(view: StationView, changed: dict[str, object], todo: str) -> None:
    assert glance(replace(view, **changed))["todo"] == todo  # type: ignore[arg-type]


def test_what_to_do_is_the_first_step_of_the_first_alarm_that_is_not_shelved(view: StationView) -> None:
    low = ActiveAlarm("order-cartridge", "unacknowledged", "", False)
    bad = replace(view, alarms=(low,), reservoir_verdict="unsuitable")
    assert glance(bad)["todo"] == "Order the next cartridge or membrane now."
    assert glance(replace(bad, alarms=(replace(low, shelved=True),)))["todo"].startswith("Empty the")


def test_the_steps_of_each_alarm_lead_out_of_it() -> None:
    assert set(STEPS) == set(FAULTS)
    for alarm, steps in STEPS.items():
        acts = [step.act for step in steps]
        if not isinstance(alarm, Trip):
            assert set(acts) == {""}
            continue
        needs = RULES[alarm].needs
        assert (acts[-1] == "reset") == (needs is not Needs.COMMAND_OR_STEADY)
        assert ({"cartridge", "retest"} <= set(acts)) == (needs is Needs.REMEDY_AND_COMMAND)
    assert all(
        re.fullmatch(r"[A-Z].*\.|Calibrate it: .*", step.text) for steps in STEPS.values() for step in steps
    )
