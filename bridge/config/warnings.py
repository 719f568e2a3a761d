"""Warnings about a plan: values that a configuration may have, but that are questionable."""

from collections.abc import Iterator

from bridge.config.cartridge import CartridgeTable
from bridge.config.modbus import CANNOT_PROMISE
from bridge.config.plan import BridgePlan, is_this_machine
from bridge.estimate.verdict import LIMIT_PPM, TARGET_PPM
from bridge.mqtt.broker import BrokerSettings
from bridge.station.plan import StationPlan
from bridge.water.conductivity import Method
from bridge.water.measurement import DEFAULT_FACTOR

_CHANGING = ("/dev/ttyUSB", "/dev/ttyACM")


def warnings_of(plan: BridgePlan) -> tuple[str, ...]:
    """Return the warnings about a plan, those about the broker first."""
    found = [] if plan.hub is None else list(_about_broker(plan.hub.broker))
    for station in plan.stations:
        found += [f"reservoir {station.identity.reservoir}: {sentence}" for sentence in _about(station)]
    return tuple(found)


def _about_broker(broker: BrokerSettings) -> Iterator[str]:
    if broker.tls is not None or is_this_machine(broker.host):
        return
    if broker.password is not None:
        yield (
            f"hub: the password travels in clear to {broker.host}, and anyone who reads it there can "
            "command the bridge; add the table hub.tls"
        )
    else:
        yield (
            f"hub: nothing between here and {broker.host} is encrypted, and no password is given, so anyone "
            "on that network can read everything and send commands; add the table hub.tls, a user name and a "
            "password"
        )


CONTROLLER_MOST_US = 2500.0
"""The largest conductance that the controller of ``firmware_notes`` measures."""
LIMITS_PPM = (10.0, 70.0)
"""Limits for bog plants, on the scale of 0.5 (common practice, no source: 50 ppm)."""
TARGETS_PPM = (2.0, 40.0)
"""The same for targets (common practice, no source: 25 ppm)."""
TALLEST_M, LARGEST_L, SMALLEST_L = 4.0, 20_000.0, 5.0
"""Reservoirs of growers lie within these (common practice, no source)."""
LARGEST_PRODUCT_CONSTANT_PER_CM = 2.0
"""Cells for purified water have 0.01 to 1 cm⁻¹ (common practice, no source)."""


def _about_trade(station: StationPlan) -> Iterator[str]:
    """Yield values that are far from those of the trade, and are probably mistakes of typing or of a unit."""
    limits, factor, shape = station.limits, station.identity.factor, station.level.shape
    for key, ppm, (low_ppm, high_ppm), usual_ppm in (
        ("guard.limit_ppm", limits.limit_ppm, LIMITS_PPM, LIMIT_PPM),
        ("guard.reservoir_limit_ppm", limits.reservoir_limit_ppm, LIMITS_PPM, LIMIT_PPM),
        ("guard.target_ppm", limits.target_ppm, TARGETS_PPM, TARGET_PPM),
    ):
        on_half = ppm * DEFAULT_FACTOR / factor
        if not low_ppm <= on_half <= high_ppm:
            yield (
                f"{key} is {ppm:g} ppm, and bog plants are kept with about {usual_ppm:g} ppm on the scale of "
                f"{DEFAULT_FACTOR:g}; check number and scale"
            )
    if shape.height_m > TALLEST_M or not SMALLEST_L <= shape.capacity_l <= LARGEST_L:
        yield (
            f"the shape is {shape.height_m:g} m high and holds {shape.capacity_l:.4g} L; check that every "
            "dimension is in metres"
        )


def _about_cells(station: StationPlan) -> Iterator[str]:
    """Yield cell constants that do not fit their water or the range of the controller."""
    limit_us_cm = station.limits.limit_ppm / station.identity.factor
    feed_us_cm = _USUAL_FEED_PPM / DEFAULT_FACTOR
    for name, probe, most_us_cm in (
        ("product", station.product, limit_us_cm),
        ("check_cell", station.check, limit_us_cm),
        ("feed", station.feed, feed_us_cm),
    ):
        if probe is None:
            continue
        constant = probe.chain.cell.constant_per_cm
        # The range of a transmitter on a Modbus line is not known.
        if station.modbus is None and most_us_cm / constant > CONTROLLER_MOST_US:
            yield (
                f"in a cell of {constant:g} cm⁻¹ ({name}.cell_constant_per_cm) water of "
                f"{most_us_cm:.3g} µS/cm has {most_us_cm / constant:.3g} µS, and the controller measures up "
                f"to {CONTROLLER_MOST_US:g} µS; the constant must be at least "
                f"{most_us_cm / CONTROLLER_MOST_US:.2g} cm⁻¹"
            )
        elif name != "feed" and constant > LARGEST_PRODUCT_CONSTANT_PER_CM:
            yield (
                f"a cell of {constant:g} cm⁻¹ ({name}.cell_constant_per_cm) is made for salt water, and "
                "purified water is measured with 0.01 to 1 cm⁻¹; check the label"
            )


_USUAL_FEED_PPM = 500.0
"""Hard tap water (common practice, no source)."""


def _about_filling(station: StationPlan) -> Iterator[str]:
    """Yield what can keep a reservoir from ever being filled."""
    level, limits = station.level, station.limits
    if level.level_sensor is None and not limits.has_drain:
        yield (
            "with switches only, the bridge cannot know that an empty reservoir holds any water. If water "
            f"over {limits.reservoir_limit_ppm:g} ppm stands in the purifier, no rinse and no fill can ever "
            "begin, and 'reservoir-over-budget' trips each time: fit a drain valve (purifier.drain_valve) or "
            "a level sensor (level.sensor)"
        )


def about_rating(cartridge: CartridgeTable, factor: float) -> Iterator[str]:
    """Yield a warning about a rating whose scale is not stated and may be another than that of the limit.

    Args:
        cartridge: The table of the cartridge.
        factor: The scale of the limit, in ppm for each µS/cm at 25 °C.
    """
    if not cartridge.rating_is_on_a_scale or cartridge.rating_factor is not None:
        return
    if factor != DEFAULT_FACTOR:
        share = 100.0 * (1.0 - DEFAULT_FACTOR / factor)
        early = f"{share:.0f} % too early" if share > 0.0 else f"{-share:.0f} % too late"
        yield (
            f"the rating of the cartridge counts on the scale of the limit, {factor:g}. Ratings are usually "
            f"stated on {DEFAULT_FACTOR:g} (common practice, no source), and then the end is forecast "
            f"{early}: give cartridge.rating_factor, the scale of the rating"
        )


def _about(station: StationPlan) -> Iterator[str]:
    yield from _about_trade(station)
    yield from _about_cells(station)
    yield from _about_filling(station)
    limits, product = station.limits, station.product.chain.compensation
    if not limits.has_overflow_float:
        yield (
            "no overflow float is fitted, so if the level sensor sticks only the bounds on time and volume "
            "stop a fill; fit one, and in any case an overflow pipe to a drain"
        )
    if product.method is Method.OFF:
        yield (
            "the product is not compensated for its temperature, so cold water seems purer and warm water "
            'less pure than it is; product.method = "pure" suits purified water'
        )
    if station.feed is not None:
        method = station.feed.chain.compensation.method
        low_c, high_c = method.range_c
        if not low_c <= limits.temperature_low_c <= limits.temperature_high_c <= high_c:
            yield (
                f"the feed is not measured below {low_c:g} and above {high_c:g} °C, where its method "
                f"'{method.value}' ends, but water may flow from {limits.temperature_low_c:g} to "
                f"{limits.temperature_high_c:g} °C"
            )
    if station.modbus is not None:
        plain = [relay for relay in (station.modbus.valve, station.modbus.drain) if relay is not None]
        if any(relay.time_limit_register is None for relay in plain):
            yield CANNOT_PROMISE
    if station.level.level_sensor is None and station.litres_per_pulse is None:
        yield (
            "with switches only and no flow sensor the volume of a fill is not known; only its time is "
            f"bounded, now by {limits.fill_max_s / 3600.0:g} h: set guard.fill_max_s a little "
            "above the time of a fill"
        )
    if station.port.startswith(_CHANGING):
        yield (
            f"the port {station.port} may name another device after a restart; the links in "
            "/dev/serial/by-id do not change"
        )
