"""A reservoir with everything fitted, as published to the hub."""

import pytest

from bridge.station.plan import StationIdentity
from bridge.station.view import StationView
from bridge.trays.ahead import RoundDay


@pytest.fixture
def identity() -> StationIdentity:
    """A reservoir with everything fitted."""
    return StationIdentity(
        "north-barrel",
        'The "north" barrel',
        200.0,
        50.0,
        25.0,
        0.5,
        True,
        True,
        True,
        True,
        has_trays=True,
        needs_weather=True,
    )


@pytest.fixture
def view(identity: StationIdentity) -> StationView:
    """The view of that reservoir while idle, without a fault."""
    return StationView(
        identity=identity,
        link_up=True,
        product_conductivity_25_us_cm=12.0,
        product_ppm=6.0,
        product_uncertainty_ppm=0.4,
        product_temperature_c=18.0,
        product_health="good",
        product_state="flowing",
        product_verdict="suitable",
        feed_conductivity_25_us_cm=640.0,
        feed_ppm=320.0,
        feed_temperature_c=15.0,
        feed_health="good",
        volume_l=120.0,
        level_fraction=0.6,
        zone="middle",
        level_health="good",
        overflow=False,
        reservoir_ppm=7.0,
        reservoir_uncertainty_ppm=1.2,
        reservoir_verdict="suitable",
        reservoir_over_limit_probability=0.0,
        reservoir_basis="balance",
        valve_decided="shut",
        valve_reported="shut",
        missing_permissives=(),
        hold=False,
        phase="idle",
        fill_volume_l=0.0,
        fill_elapsed_s=0.0,
        volume_today_l=30.0,
        purifier_treated_l=1500.0,
        purifier_load_g=470.0,
        rejection_percent=98.1,
        litres_left=412.0,
        days_left=21.0,
        days_left_low=17.5,
        days_left_high=26.0,
        order_now=False,
        cover_days=6.5,
        cover_low_days=5.0,
        cover_high_days=9.0,
        health="good",
        first_out=None,
        latched_trips=(),
        alarms=(),
        frames_good=1000,
        frames_damaged=0,
        controller="rig 1.0",
        round_date="2026-07-01",
        round_trays=2,
        round_flushes=1,
        round_litres=12.3,
        round_flush_days=0,
        round_summary="South: exchange 9.1 L, give 3.2 L. Bog: measure it.",
        round_ahead=(
            RoundDay("2026-07-01", 12.3, ("South", "Bog"), ("South",)),
            RoundDay("2026-07-02", 0.0, (), ()),
        ),
    )
