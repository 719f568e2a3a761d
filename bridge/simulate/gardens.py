"""Defines the gardens of a campaign: each garden is a simulated world and the plan of its station.

The plan is built from the same tables as a configuration file, so a user's plan has the same bounds.
All numbers of a garden are invented and describe no real installation.
"""

from dataclasses import dataclass, replace
from typing import Any

from bridge.config.building import station_plan
from bridge.config.mistakes import Mistakes
from bridge.config.reservoir import ReservoirTable
from bridge.errors import InputError
from bridge.protocol.messages import Feature
from bridge.rig.scenario import (
    ALL_BUT_DRAIN,
    POLYTUNNEL,
    POLYTUNNEL_WITH_DRAIN,
    POLYTUNNEL_WITH_MEMBRANE,
    Climate,
    Scenario,
)
from bridge.station.plan import StationPlan


@dataclass(frozen=True, slots=True)
class Garden:
    """One world and the plan of its station."""

    scenario: Scenario
    plan: StationPlan
    hot: bool = False
    """The pipes can exceed the permitted temperature of the water, so a temperature alarm is expected."""
    rained_into: bool = False
    """Rain can fill the reservoir to its overflow."""


_GLASSHOUSE = replace(
    POLYTUNNEL_WITH_DRAIN,
    name="glasshouse",
    climate=Climate(air_mean_c=19.0, air_day_amplitude_c=9.0, rainy_days_fraction=0.0),
)
_BUTT = replace(
    POLYTUNNEL_WITH_DRAIN,
    name="butt",
    barrel=replace(
        POLYTUNNEL.barrel, start_fraction=0.5, low_fraction=0.3, full_fraction=0.8, rain_catch_m2=0.12
    ),
    fittings=replace(
        POLYTUNNEL.fittings,
        features=(ALL_BUT_DRAIN | Feature.DRAIN_VALVE) & ~Feature.LEVEL_SENSOR & ~Feature.FEED_CELL,
    ),
)
_WORLDS = (POLYTUNNEL, POLYTUNNEL_WITH_DRAIN, POLYTUNNEL_WITH_MEMBRANE, _GLASSHOUSE, _BUTT)

NAMES = tuple(world.name for world in _WORLDS)
"""The names of the gardens. The half-years of a campaign use the gardens in this order."""


def garden(name: str) -> Garden:
    """Return the garden of this name.

    Raises:
        InputError: The tables of the garden contradict each other, which is a mistake in this module.
    """
    world = _WORLDS[NAMES.index(name)]
    return Garden(world, garden_of(world).plan, world is _GLASSHOUSE, world is _BUTT)


def with_cartridge(place: Garden, capacity_g: float) -> Garden:
    """Return a garden with an exchange cartridge of this capacity, in the world and in the plan.

    Raises:
        InputError: The tables of the garden contradict each other, which is a mistake in this module.
    """
    world = replace(place.scenario, cartridge=replace(place.scenario.cartridge, capacity_g=capacity_g))
    return replace(place, scenario=world, plan=garden_of(world).plan)


def garden_of(world: Scenario) -> Garden:
    """Return the garden of a world, with the plan that a configuration file for this world gives.

    Raises:
        InputError: The tables of the garden contradict each other, which is a mistake in this module.
    """
    mistakes = Mistakes(f"the garden {world.name}")
    plan = station_plan(world.name, ReservoirTable.model_validate(_tables(world)), mistakes)
    if plan is None:
        raise InputError(f"the garden {world.name} has mistakes: {mistakes.found}")
    return Garden(world, plan)


def _tables(world: Scenario) -> dict[str, Any]:
    """Return the tables of a configuration file for this world. The prices are invented."""
    barrel, fittings = world.barrel, world.fittings
    features = fittings.features
    level: dict[str, Any] = {
        "low_switch": Feature.SWITCH_LOW in features,
        "full_switch": Feature.SWITCH_FULL in features,
        "low_switch_fraction": barrel.low_fraction,
        "full_switch_fraction": barrel.full_fraction,
        "fill_fraction": barrel.full_fraction,
        "overflow_float": Feature.SWITCH_OVERFLOW in features,
    }
    if Feature.LEVEL_SENSOR in features:
        ends = (barrel.level_sensor_bottom_fraction, barrel.level_sensor_top_fraction)
        depths_m = [end * barrel.height_m for end in ends]
        readings = (fittings.level_sensor_low, fittings.level_sensor_high)
        level["sensor"] = {
            "table": [list(pair) for pair in zip(readings, depths_m, strict=True)],
            "step_m": barrel.height_m / fittings.level_sensor_steps,
        }
    else:
        level["refill_fraction"] = barrel.low_fraction
    tables: dict[str, Any] = {
        "port": "/dev/simulated",
        "factor": world.factor,
        "assumed_ppm": barrel.start_ppm,
        "open_surface_m2": barrel.open_surface_m2,
        "shape": {
            "kind": "upright-cylinder",
            "diameter_m": barrel.diameter_m,
            "height_m": barrel.height_m,
        },
        "level": level,
        "product": {"cell_constant_per_cm": fittings.product_cell_per_cm},
        "purifier": {"drain_valve": Feature.DRAIN_VALVE in features, "flow_max_l_min": 3.0},
    }
    if fittings.check_cell_per_cm is not None:
        tables["check_cell"] = {"cell_constant_per_cm": fittings.check_cell_per_cm}
        tables["purifier"]["feed_ppm"] = world.feed.mean_ppm
    elif Feature.FEED_CELL in features:
        tables["feed"] = {"cell_constant_per_cm": fittings.feed_cell_per_cm}
    else:
        tables["purifier"]["feed_ppm"] = world.feed.mean_ppm
    if world.membrane is not None:
        rejection = 100.0 * world.membrane.rejection
        tables["cartridge"] = {"kind": "membrane", "rejection_percent": rejection, "price": 90.0}
    else:
        tables["cartridge"] = {"kind": "exchange", "takes_up": world.cartridge.capacity_g, "price": 60.0}
    if Feature.FLOW_PULSES in features:
        tables["purifier"]["litres_per_pulse"] = 1.0 / fittings.pulses_per_l
    if world.membrane is not None:
        tables["guard"] = {"rinse_max_s": 600.0}
    if world is _BUTT:
        tables["rain_ppm"] = 5.0
    return tables
