"""The facts for people: every text is complete, and shows only the knowledge of the guard."""

import json
import math
import re
from dataclasses import fields, replace
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from bridge.daemon.page_lines import (
    LONGEST_UNIT,
    CommandRequest,
    CommandResult,
    Opened,
    Trouble,
    command_request_line,
    command_result_line,
    opened_line,
    read_from_daemon,
    read_from_page,
    trouble_line,
    view_line,
)
from bridge.display import Use, as_json
from bridge.display.from_view import PERMISSIVE_LABELS, PERMISSIVE_MISSING, facts_of, span
from bridge.guard.faults import FAULTS
from bridge.guard.model import Permissive, Phase, Trip
from bridge.guard.rules import RULES
from bridge.station.view import ActiveAlarm, StationView
from bridge.units import DisplayUnits, SolidsUnit, TemperatureUnit, VolumeUnit

UNITS = DisplayUnits()


def test_quantities_are_shown_in_the_configured_units(view: StationView) -> None:
    american = DisplayUnits(VolumeUnit.US_GALLON, TemperatureUnit.FAHRENHEIT, SolidsUnit.US_CM)
    plain, other = facts_of(view, UNITS, "14:05:09"), facts_of(view, american, "14:05:09")
    assert plain.time == "14:05:09"
    assert (plain.product.text, plain.product.uncertainty) == ("6.00 ppm", "± 0.40 ppm")
    assert (plain.product.limit, plain.product.target) == ("50 ppm", "25 ppm")
    assert plain.product.scale == "0.5 ppm per µS/cm"
    assert (plain.reservoir.volume, plain.reservoir.capacity) == ("120 L", "200 L")
    assert (plain.reservoir.cover, plain.purifier.days) == ("5 to 9 days", "18 to 26 days")
    # 120 L are 31.7 US gal and 18 °C are 64.4 °F (NIST SP 811); 6 ppm at 0.5 ppm per µS/cm are 12 µS/cm.
    assert (other.reservoir.volume, other.product.temperature) == ("31.7 US gal", "64.4 °F")
    assert (other.product.text, other.product.uncertainty) == ("12.00 µS/cm", "± 0.80 µS/cm")
    assert (other.product.number, other.product.limit, other.product.unit) == (12.0, "100 µS/cm", "µS/cm")
    assert (other.product.limit_number, other.product.target_number) == (100.0, 50.0)
    assert (other.product.uncertainty_number, plain.product.uncertainty_number) == (0.8, 0.4)
    assert (plain.purifier.days_low, plain.purifier.days_high) == (17.5, 26.0)


def test_the_purest_water_has_a_meaningful_uncertainty(view: StationView) -> None:
    """Pure water: 0.055 µS/cm at 25 °C (Light et al., Electrochem. Solid-State Lett. 8 (2005) E16)."""
    pure = replace(view, product_ppm=0.0275, product_uncertainty_ppm=0.001115)
    shown = facts_of(pure, UNITS, "")
    assert (shown.product.text, shown.product.uncertainty) == ("0.0275 ppm", "± 0.0011 ppm")
    assert shown.product.number == 0.0275
    told = facts_of(pure, replace(UNITS, solids=SolidsUnit.US_CM), "").product
    assert (told.text, told.uncertainty) == ("0.0550 µS/cm", "± 0.0022 µS/cm")


def test_the_answer_is_about_the_stored_water_and_tells_its_evidence(view: StationView) -> None:
    def use(**changed: Any) -> Use:
        return facts_of(replace(view, **changed), UNITS, "").use

    good = use()
    assert (good.verdict, good.word, good.over_limit) == ("suitable", "Yes", "under 1 %")
    assert "7.0 ppm ± 1.2 ppm by what flowed in and out" in good.reason
    assert "stands in the purifier is not judged" in good.reason
    # Whatever the product reads, it is not what the plants get.
    assert use(product_ppm=60.0, product_state="over-limit", product_verdict="unsuitable").word == "Yes"
    sampled = use(
        reservoir_ppm=60.0, reservoir_verdict="unsuitable", reservoir_over_limit_probability=0.9,
        reservoir_basis="sample", reservoir_sampled="2026-05-01T06:00:00Z",
    )  # fmt: skip
    assert (sampled.word, sampled.over_limit) == ("No", "90 %")
    assert "by the sample of 2026-05-01" in sampled.reason
    assert "not under the limit of 50 ppm" in sampled.reason
    assumed = use(reservoir_basis="assumed", reservoir_verdict="unknown", reservoir_uncertainty_ppm=30.0)
    assert assumed.word == "Not known"
    assert "± 30 ppm by assumption" in assumed.reason
    assert "Nobody has measured this water" in assumed.reason
    tripped = use(phase="tripped", first_out="product-over-limit", latched_trips=("product-over-limit",))
    assert tripped.word == "Yes"
    assert f"The valve is shut by a trip: {FAULTS[Trip.PRODUCT_OVER_LIMIT].what}" in tripped.reason
    assert use(reservoir_ppm=None, reservoir_verdict="unknown").word == "Not known"


def test_the_fact_of_the_valve_gives_the_reason_why_it_is_open_or_shut(view: StationView) -> None:
    def why(**changed: Any) -> str:
        return facts_of(replace(view, **changed), UNITS, "").valve.why

    assert why() == "Shut: no fill is due, and every permissive holds."
    assert why(phase="fill", valve_decided="fill", valve_reported="fill").startswith("Open: the reservoir")
    assert why(phase="rinse", valve_decided="fill", valve_reported="fill").startswith("Open: a short rinse")
    assert why(phase="rinse", valve_decided="drain", valve_reported="drain").startswith("Open to the drain")
    assert why(missing_permissives=("no-hold", "below-fill-mark")) == (
        "Shut: filling is on hold; the reservoir is full."
    )
    assert "still reports it open to the reservoir" in why(valve_reported="fill")
    # Without the controller the bridge does not claim that the valve has shut.
    lost = why(link_up=False, valve_reported="unknown", missing_permissives=("link-fresh",))
    assert lost.startswith("Not opened by the bridge: no fresh frames")
    for trip in Trip:
        tripped = facts_of(
            replace(view, phase="tripped", first_out=trip.value, latched_trips=(trip.value,),
                    missing_permissives=("no-trip",)), UNITS, "",
        ).valve  # fmt: skip
        assert tripped.why == f"Shut by a trip: {FAULTS[trip].what}"
        assert tripped.first_out is not None
        assert tripped.first_out.sentence == FAULTS[trip].sentence
        assert tripped.trips[0].reset_rule == f"Needs {RULES[trip].needs.value}."
        assert [one.id for one in tripped.permissives if not one.holds] == ["no-trip"]


def test_every_permissive_has_a_text(view: StationView) -> None:
    assert set(PERMISSIVE_LABELS) == set(PERMISSIVE_MISSING) == set(Permissive)
    shown = facts_of(view, UNITS, "").valve.permissives
    assert [one.id for one in shown] == [one.value for one in Permissive]


@pytest.mark.parametrize(
    ("low", "high", "shown"),
    [
        (4.2, 9.4, "4 to 9 days"),
        (0.0, 0.04, "0.0 days"),
        (1.25, 2.6, "1.2 to 2.6 days"),
        (2.6, 4.4, "2.6 to 4 days"),
        (30.0, 120.0, "30 days or more"),
        (120.0, 120.0, "more than 120 days"),
        (5.0, math.inf, "5 days or more"),
        (None, 4.0, None),
        (math.nan, 4.0, None),
    ],
)
def test_an_interval_of_days_has_a_plain_text(
    low: float | None, high: float | None, shown: str | None
) -> None:
    assert span(low, high) == shown


NUMBERS = [
    field.name
    for field in fields(StationView)
    if field.type in ("float | None", float | None) and field.name != "identity"
]


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_unknown_values_and_values_that_are_no_number_are_left_out(
    view: StationView, data: st.DataObject
) -> None:
    changed: dict[str, Any] = data.draw(
        st.dictionaries(
            st.sampled_from(NUMBERS), st.none() | st.floats(0, 1e6) | st.sampled_from([math.nan, math.inf])
        )
    )
    phase = data.draw(st.sampled_from(Phase)).value
    odd = replace(view, phase=phase, **changed)
    said = as_json(facts_of(odd, UNITS, ""))
    assert json.loads(said)["id"] == view.identity.reservoir
    assert not re.search(r"\b(nan|inf)\b", said, re.IGNORECASE)


ALARMS = st.builds(
    ActiveAlarm,
    st.sampled_from([one.value for one in FAULTS]),
    st.just("unacknowledged"),
    st.text(max_size=40),
    st.booleans(),
)


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    alarms=st.lists(ALARMS, max_size=3), missing=st.lists(st.sampled_from(Permissive), max_size=3),
    ppm=st.none() | st.floats(0, 1e5), controller=st.text(max_size=30),
)  # fmt: skip
def test_a_view_is_the_same_at_the_page_and_at_the_daemon(
    view: StationView,
    alarms: list[ActiveAlarm],
    missing: list[Permissive],
    ppm: float | None,
    controller: str,
) -> None:
    sent = replace(
        view, alarms=tuple(alarms), missing_permissives=tuple(one.value for one in missing),
        product_ppm=ppm, controller=controller, latched_trips=("overflow",),
    )  # fmt: skip
    line = view_line(sent)
    assert line.count(b"\n") == 1
    assert read_from_daemon(line, {view.identity.reservoir: view.identity}) == sent


@given(
    number=st.integers(0, 1 << 40),
    a=st.text(max_size=60),
    b=st.text(max_size=200),
    unit=st.text(max_size=LONGEST_UNIT),
)
def test_commands_and_answers_are_the_same_at_both_ends(number: int, a: str, b: str, unit: str) -> None:
    for request in (CommandRequest(number, a, a, b, unit), CommandRequest(number, a, a, b, unit, a, 1.5)):
        assert read_from_page(command_request_line(request)) == request
    assert read_from_page(opened_line(Opened(a, number))) == Opened(a, number)
    assert read_from_page(trouble_line(Trouble(b))) == Trouble(b)
    assert read_from_daemon(command_result_line(CommandResult(number, a, b)), {}) == CommandResult(
        number, a, b
    )


@given(line=st.binary(max_size=200) | st.recursive(
    st.none() | st.integers() | st.text(max_size=5),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(
        st.sampled_from(["command", "opened", "trouble", "view", "values", "result"]), inner, max_size=2
    ),
).map(lambda value: json.dumps(value).encode()))  # fmt: skip
def test_the_daemon_accepts_only_three_kinds_of_line_from_the_page(line: bytes) -> None:
    try:
        said = read_from_page(line)
    except ValueError:
        return
    assert isinstance(said, CommandRequest | Opened | Trouble)
