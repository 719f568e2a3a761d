"""The view of an idle reservoir, with the values that are nearly always known."""

from dataclasses import fields
from typing import Any

import pytest

from bridge.station.plan import StationIdentity
from bridge.station.view import StationView


@pytest.fixture(scope="session")
def kept_view() -> StationView:
    """A view of 120 of 200 litres at 12 ppm, without a fault and without a forecast."""
    identity = StationIdentity(
        "north-barrel", "North", 200.0, 50.0, 25.0, 0.5, has_feed_probe=True, has_drain=False, has_volume=True
    )
    values: dict[str, Any] = dict.fromkeys((one.name for one in fields(StationView)), None)
    values |= dict.fromkeys(("product_health", "feed_health", "level_health", "health"), "good")
    values |= dict.fromkeys(("missing_permissives", "latched_trips", "alarms"), ())
    values |= {"product_ppm": 12.0, "product_uncertainty_ppm": 1.0, "volume_l": 120.0, "level_fraction": 0.6}
    values |= {
        "product_state": "standing",
        "product_verdict": "unknown",
        "zone": "middle",
        "phase": "idle",
        "fill_elapsed_s": 0.0,
    }
    values |= {"valve_decided": "shut", "valve_reported": "shut", "link_up": True, "hold": False}
    values |= {"frames_good": 1, "frames_damaged": 0, "controller": "rig 1.0", "identity": identity}
    values |= {"reservoir_verdict": "unknown", "reservoir_basis": "assumed"}
    return StationView(**values)
