"""A scrape returns every fact in base units, and no sample for an unknown value."""

from dataclasses import fields, replace
from types import NoneType
from typing import Any, get_args, get_type_hints

import pytest
from hypothesis import given
from hypothesis import strategies as st
from prometheus_client import Metric
from prometheus_client.openmetrics.parser import text_string_to_metric_families

from bridge.guard.model import Permissive
from bridge.mqtt.properties import ALARM_WORDS, TRIP_WORDS
from bridge.station.plan import StationIdentity
from bridge.station.view import ActiveAlarm, StationView
from bridge.web.metrics import CONTENT_TYPE, exposition

IDENTITY = StationIdentity(
    "north-barrel", 'The "north" barrel', 200.0, 50.0, 25.0, 0.5, True, True, True, True, True
)
VIEW = StationView(
    identity=IDENTITY, link_up=True, product_conductivity_25_us_cm=12.0, product_ppm=6.0,
    product_uncertainty_ppm=0.4, product_temperature_c=18.0, product_health="good",
    product_state="flowing", product_verdict="suitable",
    feed_conductivity_25_us_cm=640.0, feed_ppm=320.0, feed_temperature_c=15.0,
    feed_health="maintenance-required", volume_l=120.0, level_fraction=0.6, zone="middle",
    level_health="good", overflow=False, reservoir_ppm=7.0, reservoir_uncertainty_ppm=1.2,
    reservoir_verdict="suitable", reservoir_over_limit_probability=0.001,
    reservoir_basis="balance",
    valve_decided="fill", valve_reported="unknown",
    missing_permissives=("link-fresh", "no-hold"), hold=True, phase="pause", fill_volume_l=42.0,
    fill_elapsed_s=95.0, volume_today_l=30.0, purifier_treated_l=1500.0, purifier_load_g=470.0,
    rejection_percent=98.0, litres_left=412.0, days_left=21.0, days_left_low=17.5, days_left_high=26.0,
    order_now=True, cover_days=6.5, cover_low_days=5.0, cover_high_days=9.0, health="maintenance-required",
    first_out="overflow", latched_trips=("overflow", "link-lost"),
    alarms=(
        ActiveAlarm("overflow", "unacknowledged", "The overflow float is up.", False),
        ActiveAlarm("reservoir-low", "acknowledged", "The reservoir is nearly empty.", True),
    ),
    frames_good=1000, frames_damaged=3, controller="rig 1.0",
    check_conductivity_25_us_cm=12.6, check_ppm=6.3, check_temperature_c=18.1,
    check_difference_percent=5.0, check_health="good",
    round_trays=2, round_flushes=1, round_litres=21.5, round_flush_days=3,
)  # fmt: skip
NUMBERS = {
    "product_conductivity_siemens_per_meter": 0.0012,  # 1 µS/cm = 1e-6 S / 0.01 m
    "product_dissolved_solids_ppm": 6.0,
    "round_trays": 2.0,
    "round_flushes": 1.0,
    "round_volume_cubic_meters": 0.0215,
    "round_flush_wait_seconds": 3 * 86_400.0,
    "product_dissolved_solids_uncertainty_ppm": 0.4,
    "product_temperature_celsius": 18.0,
    "product_limit_ppm": 50.0,
    "product_target_ppm": 25.0,
    "scale_factor": 0.5,
    "feed_conductivity_siemens_per_meter": 0.064,
    "feed_dissolved_solids_ppm": 320.0,
    "feed_temperature_celsius": 15.0,
    "check_conductivity_siemens_per_meter": 0.00126,
    "check_dissolved_solids_ppm": 6.3,
    "check_temperature_celsius": 18.1,
    "check_difference_ratio": 0.05,
    "reservoir_volume_cubic_meters": 0.12,
    "reservoir_capacity_cubic_meters": 0.2,
    "reservoir_level_ratio": 0.6,
    "reservoir_dissolved_solids_ppm": 7.0,
    "reservoir_dissolved_solids_uncertainty_ppm": 1.2,
    "reservoir_over_limit_ratio": 0.001,
    "overflow_float_up": 0.0,
    "hold": 1.0,
    "link_up": 1.0,
    "fill_volume_cubic_meters": 0.042,
    "fill_elapsed_seconds": 95.0,
    "fill_volume_today_cubic_meters": 0.03,
    "purifier_treated_cubic_meters": 1.5,
    "purifier_load_grams": 470.0,
    "purifier_rejection_ratio": 0.98,
    "purifier_remaining_cubic_meters": 0.412,
    "purifier_order_now": 1.0,
    "frames_good_total": 1000.0,
    "frames_damaged_total": 3.0,
}
INTERVALS = {
    "purifier_remaining_time_seconds": {"low": 1_512_000.0, "median": 1_814_400.0, "high": 2_246_400.0},
    "reservoir_cover_seconds": {"low": 432_000.0, "median": 561_600.0, "high": 777_600.0},
}
STATES = {
    "verdict": {"suitable"},
    "reservoir_basis": {"balance"},
    "product_verdict": {"suitable"},
    "product_state": {"flowing"},
    "product_probe_health": {"good"},
    "feed_probe_health": {"maintenance-required"},
    "level_health": {"good"},
    "health": {"maintenance-required"},
    "reservoir_zone": {"middle"},
    "valve_decided": {"fill"},
    "valve_reported": {"unknown"},
    "check_cell_health": {"good"},
    "fill_phase": {"pause"},
    "permissive_missing": {"link-fresh", "no-hold"},
    "trip_latched": {"overflow", "link-lost"},
    "alarm": {"overflow", "reservoir-low"},
    "alarm_shelved": {"reservoir-low"},
}
SHOWN_OTHERWISE = {
    "identity",
    "first_out",
    "latched_trips",
    "alarms",
    "missing_permissives",
    "controller",
    "last_reading",
    "reservoir_sampled",
    "round_date",
    "round_summary",
    "round_ahead",
}
"""Fields that are no number and no word; the first-out trip is a matter of the alarm's history."""


def read(*views: StationView, version: str = "1.2.3") -> dict[str, Metric]:
    text = exposition(views, version).decode("utf-8")
    return {family.name: family for family in text_string_to_metric_families(text)}


def numbers(families: dict[str, Metric], reservoir: str = "north-barrel") -> dict[str, float]:
    return {
        sample.name.removeprefix("clearwell_"): sample.value
        for family in families.values()
        for sample in family.samples
        if family.type in ("gauge", "counter") and sample.labels == {"reservoir": reservoir}
    }


def test_every_number_of_a_view_is_there_in_base_units() -> None:
    families = read(VIEW)
    assert numbers(families) == pytest.approx(NUMBERS, rel=1e-12)
    bounds = {
        name: {sample.labels["bound"]: sample.value for sample in families[f"clearwell_{name}"].samples}
        for name in INTERVALS
    }
    assert bounds == INTERVALS
    for family in families.values():
        assert not family.unit or family.name.endswith(f"_{family.unit}")


def test_every_state_set_has_exactly_the_states_of_the_view() -> None:
    families = read(VIEW)
    said = {
        name.removeprefix("clearwell_"): {s.labels[name] for s in family.samples if s.value == 1.0}
        for name, family in families.items()
        if family.type == "stateset"
    }
    assert said == STATES
    assert len(families["clearwell_alarm"].samples) == len(ALARM_WORDS)
    assert len(families["clearwell_trip_latched"].samples) == len(TRIP_WORDS)
    assert len(families["clearwell_permissive_missing"].samples) == len(Permissive)


def test_no_field_of_a_view_is_left_out() -> None:
    """Changes one field at a time: the text must change with it."""
    before = exposition([VIEW], "1")
    for field in fields(StationView):
        if field.name in SHOWN_OTHERWISE:
            continue
        value = getattr(VIEW, field.name)
        other = not value if isinstance(value, bool) else "failure" if isinstance(value, str) else value + 1
        other_words = {
            "reservoir_verdict": "marginal",
            "product_verdict": "marginal",
            "product_state": "standing",
            "reservoir_basis": "sample",
            "zone": "low",
            "valve_decided": "shut",
            "valve_reported": "shut",
            "phase": "idle",
        }
        different: Any = other_words.get(field.name, other)
        assert exposition([replace(VIEW, **{field.name: different})], "1") != before, field.name


def test_an_unknown_value_is_absent_and_not_zero() -> None:
    types = get_type_hints(StationView)
    optional = {name for name, of in types.items() if NoneType in get_args(of)}
    unknown = dict.fromkeys(optional - {"first_out"})
    assert len(unknown) > 20
    changes: dict[str, Any] = {**unknown, "product_health": "failure"}
    nothing = replace(VIEW, **changes)
    families = read(nothing)
    left = set(numbers(families))
    always = {
        *(
            "product_limit_ppm",
            "product_target_ppm",
            "scale_factor",
            "reservoir_capacity_cubic_meters",
            "hold",
        ),
        *("link_up", "fill_elapsed_seconds", "frames_good_total", "frames_damaged_total"),
    }
    assert left == always
    assert not families["clearwell_purifier_remaining_time_seconds"].samples
    assert not families["clearwell_reservoir_cover_seconds"].samples
    for bad in (float("nan"), float("inf")):
        assert "product_dissolved_solids_ppm" not in numbers(read(replace(VIEW, product_ppm=bad)))


def test_a_feed_probe_that_is_not_fitted_has_no_health() -> None:
    bare = replace(VIEW, identity=replace(IDENTITY, has_feed_probe=False))
    assert not read(bare)["clearwell_feed_probe_health"].samples


def test_two_reservoirs_are_distinguished_by_their_ids() -> None:
    other = replace(VIEW, identity=replace(IDENTITY, reservoir="south"), product_ppm=31.0)
    families = read(VIEW, other)
    assert numbers(families)["product_dissolved_solids_ppm"] == 6.0
    assert numbers(families, "south")["product_dissolved_solids_ppm"] == 31.0
    assert read()["clearwell_product_dissolved_solids_ppm"].samples == []


@given(name=st.text(max_size=60), controller=st.text(max_size=30))
def test_any_reservoir_name_gives_a_valid_text(name: str, controller: str) -> None:
    odd = replace(VIEW, identity=replace(IDENTITY, name=name), controller=controller)
    families = read(odd)
    (sample,) = families["clearwell_reservoir"].samples
    assert sample.labels == {"reservoir": "north-barrel", "name": name, "controller": controller}
    assert numbers(families) == pytest.approx(NUMBERS, rel=1e-12)


def test_a_hostile_name_adds_no_line() -> None:
    hostile = 'x"} 1\nclearwell_product_dissolved_solids_ppm{reservoir="north-barrel"} 0\n# EOF\n\\'
    text = exposition([replace(VIEW, identity=replace(IDENTITY, name=hostile))], "1").decode()
    assert len(text.splitlines()) == len(exposition([VIEW], "1").decode().splitlines())
    assert text.endswith("# EOF\n")


def test_the_text_names_its_version_and_its_format() -> None:
    (bridge,) = read(VIEW, version="4.5.6")["clearwell_bridge"].samples
    assert bridge.labels == {"version": "4.5.6"}
    assert CONTENT_TYPE.startswith("application/openmetrics-text; version=1.0.0")
