"""Scenarios: water, purifier, reservoir, climate and fittings of a simulated garden. Core.

The default is a scenario of our own: the bog-garden polytunnel of a school, with a 200 L barrel on hard tap
water. Its numbers are invented for demonstration and describe no real installation.
"""

import math
from dataclasses import dataclass, field, replace

from bridge.errors import OutOfRangeError
from bridge.protocol.messages import Feature

ALL_BUT_DRAIN = (
    Feature.FEED_CELL
    | Feature.FLOW_PULSES
    | Feature.LEVEL_SENSOR
    | Feature.SWITCH_LOW
    | Feature.SWITCH_FULL
    | Feature.SWITCH_OVERFLOW
)


DAY_S = 86_400.0
YEAR_DAYS = 365.0


@dataclass(frozen=True, slots=True)
class WaldenRule:
    """How the conductivity of dissolved ions follows temperature: as a power of the viscosity of water."""

    exponent: float
    """The power at 25 °C."""
    bend_per_k: float = 0.0
    """What each kelvin under 25 °C adds to the power."""


NATURAL_WATER = WaldenRule(0.93)
"""Fitted to hard natural waters: conductivity times this power of the viscosity of water is constant."""


@dataclass(frozen=True, slots=True)
class Climate:
    """The year and the day of the air in the tunnel, of the mains water and of the rain."""

    air_mean_c: float = 14.0
    air_year_amplitude_c: float = 7.5
    air_day_amplitude_c: float = 4.5
    air_weather_c: float = 1.8
    """Standard deviation of the daily mean around its season."""
    mains_mean_c: float = 12.0
    mains_year_amplitude_c: float = 5.0
    warmest_day: int = 205
    """Day of the year with the highest mean, 1 to 365."""
    rainy_days_fraction: float = 0.4
    rain_mm_on_rainy_day: float = 5.0
    evaporation_mm_day_at_20_c: float = 2.5


@dataclass(frozen=True, slots=True)
class Feed:
    """Tap water on the scale of the scenario: ppm = factor x conductivity at 25 °C."""

    mean_ppm: float = 320.0
    year_amplitude_ppm: float = 25.0
    """Winter water is harder, because more of it comes from the borehole."""
    day_amplitude_ppm: float = 4.0


@dataclass(frozen=True, slots=True)
class Membrane:
    """A reverse-osmosis stage before the cartridge."""

    rejection: float = 0.95
    """Fraction of the dissolved solids held back at 25 °C."""
    passage_growth_per_k: float = 0.03
    """Relative growth of the salt passage for each kelvin of water temperature."""
    recovery: float = 0.3
    """Product divided by feed; the rest leaves as concentrate."""
    creep_time_s: float = 4 * 3600.0
    """Time constant of the salt that creeps through the membrane into standing product."""
    creep_fraction: float = 0.6
    """End value of the creep, as a fraction of the feed."""
    hold_up_l: float = 0.6
    """Volume that washes the crept salt out to 1/e."""


@dataclass(frozen=True, slots=True)
class Cartridge:
    """A mixed-bed exchange cartridge."""

    capacity_g: float = 350.0
    """Dissolved solids taken up when half of the front has left the bed, grams."""
    front_width: float = 0.02
    """Scale of the logistic front as a fraction of the capacity."""
    floor_ppm: float = 0.1
    """Product of a new bed."""
    standing_ppm: float = 80.0
    """End value of the water that stands in the bed."""
    standing_time_s: float = 12 * 3600.0
    hold_up_l: float = 0.4
    """Volume that washes the standing water out to 1/e."""


@dataclass(frozen=True, slots=True)
class Watering:
    """A daily draw-off."""

    hour: float
    """Hour of the day, 0 to 24."""
    summer_l: float
    winter_l: float
    flow_l_min: float = 6.0


@dataclass(frozen=True, slots=True)
class Barrel:
    """The reservoir: an upright cylinder with an overflow pipe at its rim."""

    diameter_m: float = 0.58
    height_m: float = 0.76
    start_fraction: float = 0.55
    start_ppm: float = 6.0
    open_surface_m2: float = 0.05
    """Surface that evaporates; a lid covers the rest."""
    rain_catch_m2: float = 0.03
    """Area from which rain enters the barrel."""
    dust_ppm_day: float = 0.0
    """Standard deviation of what dust and leaves add to the dissolved solids in a day, ppm."""
    low_fraction: float = 0.15
    """Depth of the low switch as a fraction of the height; the same for the next two."""
    full_fraction: float = 0.90
    overflow_fraction: float = 0.96
    level_sensor_bottom_fraction: float = 0.04 / 0.76
    """Depth of the float's lower stop, as a fraction of the height."""
    level_sensor_top_fraction: float = 0.74 / 0.76
    """Depth of the float's upper stop."""


@dataclass(frozen=True, slots=True)
class CellError:
    """How far a cell with its circuit and its thermometer is from what its label says."""

    gain: float = 1.0
    """The conductance that it shows for each true µS at world time 0."""
    drift_per_year: float = 0.0
    """The relative change of the gain in a year."""
    offset_us: float = 0.0
    """What it shows without water."""
    thermometer_k: float = 0.0

    def gain_at(self, time_s: float) -> float:
        """Return the gain at a world time."""
        if not self.drift_per_year:
            return self.gain
        return self.gain * math.exp(self.drift_per_year * time_s / (YEAR_DAYS * DAY_S))


EXACT = CellError()
"""A cell without an error."""


@dataclass(frozen=True, slots=True)
class Fittings:
    """Cells, level sensor, valve and line, with noise and resolution."""

    features: Feature = ALL_BUT_DRAIN
    product_cell_per_cm: float = 0.1
    """Cell constant by its label, cm⁻¹."""
    product_error: CellError = EXACT
    feed_cell_per_cm: float = 1.0
    check_cell_per_cm: float | None = None
    """Cell constant of a check cell in the product water, which takes the second channel from the feed cell,
    cm⁻¹. None without one."""
    check_error: CellError = EXACT
    cell_noise_relative: float = 0.002
    cell_noise_us: float = 0.002
    cell_step_us: float = 0.001
    """Smallest difference the controller resolves, µS."""
    cell_limit_us: float = 20_000.0
    """Upper end of the widest measuring range, µS."""
    temperature_noise_c: float = 0.02
    temperature_step_c: float = 0.0625
    level_sensor_low: float = 0.05
    """Reading of the level sensor at its lower stop; a broken wire reads outside both stops."""
    level_sensor_high: float = 0.95
    """Reading at its upper stop."""
    level_sensor_noise: float = 0.0005
    level_sensor_steps: int = 1023
    pulses_per_l: float = 450.0
    flow_l_min: float = 1.5
    """Product flow with the valve open at 25 °C."""
    leak_l_min: float = 0.08
    """Flow through a leaking valve."""


@dataclass(frozen=True, slots=True)
class Scenario:
    """The start values of a :class:`bridge.rig.world.World`."""

    name: str
    factor: float = 0.5
    """ppm for each µS/cm at 25 °C: the scale of every ppm in the scenario and in the truth."""
    walden: WaldenRule = NATURAL_WATER
    """How the conductivity of the product's ions follows temperature."""
    limit_ppm: float = 50.0
    """Water that enters above it counts as over the limit in the truth."""
    start_day: int = 120
    """Day of the year at which the world's time 0, a midnight, falls; 1 to 365."""
    standing_before_start_s: float = 12 * 3600.0
    """How long the purifier stood before time 0."""
    climate: Climate = field(default_factory=Climate)
    feed: Feed = field(default_factory=Feed)
    membrane: Membrane | None = None
    cartridge: Cartridge = field(default_factory=Cartridge)
    barrel: Barrel = field(default_factory=Barrel)
    waterings: tuple[Watering, ...] = (
        Watering(hour=7.5, summer_l=6.0, winter_l=1.0),
        Watering(hour=18.25, summer_l=4.0, winter_l=0.0),
    )
    fittings: Fittings = field(default_factory=Fittings)

    def __post_init__(self) -> None:
        """Check the values.

        Raises:
            OutOfRangeError: A value is out of its range.
        """
        barrel = self.barrel
        fractions = (
            ("start_fraction", barrel.start_fraction),
            ("low_fraction", barrel.low_fraction),
            ("full_fraction", barrel.full_fraction),
            ("overflow_fraction", barrel.overflow_fraction),
        )
        for name, value in fractions:
            if not 0.0 <= value <= 1.0:
                raise OutOfRangeError(
                    f"scenario {self.name}: barrel {name} is {value}; it must be from 0 to 1"
                )
        if not 0.0 <= barrel.level_sensor_bottom_fraction < barrel.level_sensor_top_fraction <= 1.0:
            raise OutOfRangeError(
                f"scenario {self.name}: the level sensor's ends {barrel.level_sensor_bottom_fraction} and "
                f"{barrel.level_sensor_top_fraction} must rise within 0 to 1"
            )
        if self.fittings.check_cell_per_cm is not None and Feature.FEED_CELL not in self.fittings.features:
            raise OutOfRangeError(
                f"scenario {self.name}: a check cell needs the controller's second channel, the feature "
                f"{Feature.FEED_CELL.name}"
            )
        positive: tuple[tuple[str, float | None], ...] = (
            ("factor", self.factor),
            ("cartridge capacity_g", self.cartridge.capacity_g),
            ("cartridge front_width", self.cartridge.front_width),
            ("cartridge hold_up_l", self.cartridge.hold_up_l),
            ("fittings flow_l_min", self.fittings.flow_l_min),
            ("fittings product_cell_per_cm", self.fittings.product_cell_per_cm),
            ("fittings feed_cell_per_cm", self.fittings.feed_cell_per_cm),
            ("fittings check_cell_per_cm", self.fittings.check_cell_per_cm),
            ("fittings product_error.gain", self.fittings.product_error.gain),
            ("fittings check_error.gain", self.fittings.check_error.gain),
        )
        for name, number in positive:
            if number is not None and not number > 0.0:
                raise OutOfRangeError(f"scenario {self.name}: {name} is {number}; it must be more than 0")


POLYTUNNEL = Scenario(name="polytunnel")
"""The default: a fill valve, every level sensor and switch, no drain valve."""

POLYTUNNEL_WITH_DRAIN = replace(
    POLYTUNNEL, name="polytunnel-drain", fittings=Fittings(features=ALL_BUT_DRAIN | Feature.DRAIN_VALVE)
)
"""The same with a drain valve, so that standing water can be drained."""

POLYTUNNEL_WITH_MEMBRANE = replace(
    POLYTUNNEL_WITH_DRAIN,
    name="polytunnel-membrane",
    membrane=Membrane(),
    cartridge=Cartridge(capacity_g=60.0),
)
"""Membrane first, a small polishing cartridge after it, drain valve fitted."""

DEMO_SPEED = 120.0
"""World seconds for each real second at which :data:`DEMO` tells its story in about half a minute."""

DEMO = Scenario(
    name="demo",
    climate=Climate(air_weather_c=0.0, rainy_days_fraction=0.0),
    cartridge=Cartridge(capacity_g=25.6, front_width=0.025),
    barrel=Barrel(start_fraction=0.48),
    waterings=(),
    fittings=Fittings(features=ALL_BUT_DRAIN | Feature.DRAIN_VALVE, flow_l_min=2.5),
    standing_before_start_s=6 * 3600.0,
)
"""For a refill mark near 0.50 and a fill mark near 0.65.

At :data:`DEMO_SPEED` each fill of some 30 L takes some 6 s. The cartridge is exhausted about 80 L after the
start, in the third fill.
"""


def with_check_cell(scenario: Scenario, error: CellError = EXACT) -> Scenario:
    """Return the scenario with a check cell in the product water instead of the feed cell.

    Args:
        scenario: A scenario whose controller has a second channel.
        error: The error of the check cell.
    """
    fit = scenario.fittings
    fit = replace(fit, check_cell_per_cm=fit.product_cell_per_cm, check_error=error)
    return replace(scenario, fittings=fit)


SCENARIOS = {s.name: s for s in (POLYTUNNEL, POLYTUNNEL_WITH_DRAIN, POLYTUNNEL_WITH_MEMBRANE, DEMO)}
"""Every ready scenario by its name."""
