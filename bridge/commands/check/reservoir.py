"""Explains reservoirs, and purifiers and shelves kept by hand, for ``clearwell check``. Core."""

from collections.abc import Iterator
from datetime import UTC

from bridge.commands.check.guard import Line, Units, listed
from bridge.config.modbus import CANNOT_PROMISE
from bridge.forecast.by_hand import HandPlan, ShelfPlan
from bridge.station.plan import CartridgePlan, ProbePlan, StationPlan
from bridge.tank import shapes
from bridge.units import DisplayUnits
from bridge.water.conductivity import Method
from bridge.water.measurement import scale_label


def reservoir(station: StationPlan, shown: Units) -> Iterator[Line]:
    """Explain the line to the controller, the shape, the marks and the level."""
    lease_s = station.limits.lease_s
    if station.modbus is not None:
        yield "Modbus", _modbus(station)
    else:
        yield (
            "Controller",
            f"on {station.port} at {station.baud} bit/s. The valve is opened for {lease_s:g} s at a time and "
            f"renewed while all is well; if the bridge stops, the controller shuts it within {lease_s:g} s.",
        )
    level = station.level
    match level.shape:
        case shapes.UprightCylinder(diameter_m=across, height_m=high):
            words = f"an upright cylinder {across:g} m across and {high:g} m high"
        case shapes.HorizontalCylinder(diameter_m=across, length_m=long):
            words = f"a cylinder on its side, {across:g} m across and {long:g} m long"
        case shapes.Box(length_m=long, width_m=wide, height_m=high):
            words = f"a box {long:g} m long, {wide:g} m wide and {high:g} m high"
        case shapes.TaperedBarrel(bottom_diameter_m=below, top_diameter_m=above, height_m=high):
            words = f"a tapered barrel {below:g} m across below, {above:g} m above, and {high:g} m high"
        case shape:
            words = f"a tank by its strapping table, {shape.height_m:g} m high"
    capacity_l = level.shape.capacity_l
    yield "Shape", f"{words}; brim-full it holds {shown.litres(capacity_l)}."
    yield (
        "Marks",
        f"a fill starts at or below {shown.litres(level.refill_fraction * capacity_l)} "
        f"({level.refill_fraction:.0%}, {level.refill_m:.2f} m deep) and ends at "
        f"{shown.litres(level.fill_fraction * capacity_l)} ({level.fill_fraction:.0%}, "
        f"{level.fill_m:.2f} m).",
    )
    yield "Level", _level(station)


def _modbus(station: StationPlan) -> str:
    modbus, lease_s = station.modbus, station.limits.lease_s
    assert modbus is not None
    relays = [relay for relay in (modbus.valve, modbus.drain) if relay is not None]
    devices = sorted({modbus.conductivity.device, modbus.temperature.device, *(one.device for one in relays)})
    line = (
        f"transmitters and relays, devices {listed([str(one) for one in devices])} among them, on "
        f"{station.port} at {station.baud} bit/s, asked every {modbus.poll_s:g} s."
    )
    if any(relay.time_limit_register is None for relay in relays):
        return (
            f"{line} The bridge switches the valve off {lease_s:g} s after the last renewal, but "
            f"{CANNOT_PROMISE}."
        )
    return (
        f"{line} The relay is switched on for {lease_s:g} s at a time, and renewed while all is well; if the "
        f"bridge stops, the relay module itself shuts the valve within {lease_s:g} s."
    )


def _level(station: StationPlan) -> str:
    level = station.level
    parts = []
    if level.level_sensor is not None:
        low_m, high_m = level.level_sensor.table.depths_m
        step = f" in steps of {1000.0 * level.level_sensor.step_m:g} mm" if level.level_sensor.step_m else ""
        parts.append(f"a level sensor from {low_m:g} to {high_m:g} m{step}")
    parts += ["a low switch"] * level.low_switch + ["a full switch"] * level.full_switch
    sentence = f"measured by {listed(parts)}."
    if level.level_sensor is None:
        sentence += " Only a zone is known, not the volume."
    if level.overflow_switch:
        return sentence + " The overflow float shuts the valve at once, and so does a missing report of it."
    return sentence + " No overflow float is fitted."


def measured(station: StationPlan, shown: Units) -> Iterator[Line]:
    """Explain the scale, the probes, the purifier and the flow."""
    yield (
        "Scale",
        f"every ppm of this reservoir, limits too, is {scale_label(station.identity.factor)}. A pocket "
        "meter with another factor shows another number for the same water.",
    )
    yield "Product", _probe(station.product)
    if station.feed is not None:
        yield "Feed", _probe(station.feed)
    elif station.feed_ppm is not None:
        yield "Feed", f"not measured; assumed to be {shown.ppm(station.feed_ppm)} for the purifier's load."
    else:
        yield "Feed", "neither measured nor stated, so the purifier's load is not known (purifier.feed_ppm)."
    fitted = station.cartridge
    if fitted is not None:
        yield "Cartridge", cartridge(fitted)
    if station.litres_per_pulse is not None:
        yield "Flow", f"counted, {1000.0 * station.litres_per_pulse:.4g} mL for each pulse."
    elif station.level.level_sensor is not None:
        yield "Flow", "not counted; the volume of a fill is computed from the rise of the level."
    else:
        yield "Flow", "not counted, and without a level sensor the volume of a fill is not known."


def _probe(probe: ProbePlan) -> str:
    chain = probe.chain
    compensation = chain.compensation
    low_c, high_c = compensation.method.range_c
    if compensation.method is Method.OFF:
        how = "not compensated: the figure stands for the water's own temperature"
    else:
        rate = f" ({compensation.linear_percent_per_k:g} %/K)" if compensation.method is Method.LINEAR else ""
        how = (
            f"brought to 25 °C by the method '{compensation.method.value}'{rate}, {low_c:g} to {high_c:g} °C"
        )
    corrected = ""
    if chain.cell.offset_us or chain.cell.lead_resistance_ohm:
        offset_us, leads_ohm = chain.cell.offset_us, chain.cell.lead_resistance_ohm
        corrected = f" (offset {offset_us:g} µS and leads of {leads_ohm:g} ohm taken out)"
    return (
        f"a cell of {chain.cell.constant_per_cm:g} cm⁻¹{corrected}, {how}. A reading below that of pure "
        f"water counts as a failed probe. {_calibrated(probe)}"
    )


def _calibrated(probe: ProbePlan) -> str:
    made = probe.calibration
    if made is None:
        return "The constant is the configuration's; no calibration is in force."
    return (
        f"The constant is that of the calibration of {made.made.astimezone(UTC):%Y-%m-%d %H:%M} UTC in the "
        f"standard {made.standard}, ±{2.0 * made.cell_constant_percent:.2g} % (k = 2), in {made.file}."
    )


def cartridge(fitted: CartridgePlan) -> str:
    """Explain the cartridge, and when to order."""
    what = "unknown" if fitted.rated_g is None else f"{fitted.rated_g:.4g} g"
    if fitted.rejection_percent is not None:
        what = f"{fitted.rejection_percent:g} % rejection"
    return (
        f"{fitted.kind.value}, rated {what}; its end is forecast, and an alarm asks for an order "
        f"{fitted.lead_days:g} days before."
    )


def by_hand(hand: HandPlan, shown: Units) -> Iterator[Line]:
    """Explain a purifier kept by hand: its scale, its feed, its cartridge and its entries."""
    yield (
        "Scale",
        f"{scale_label(hand.factor)}; the limit is {shown.ppm(hand.limit_ppm)}, the target "
        f"{shown.ppm(hand.target_ppm)}.",
    )
    fed = "not stated; give feed_ppm, or enter --feed-ppm, or nothing can be forecast"
    if hand.feed_ppm is not None:
        fed = f"assumed to be {shown.ppm(hand.feed_ppm)} until a sample of it is entered"
    yield "Feed", f"{fed}."
    yield "Cartridge", cartridge(hand.cartridge)
    yield (
        "Entries",
        f"clearwell sample --config FILE --of {hand.ident} --litres L --ppm N, one line for each entry; "
        "the daemon does not use it.",
    )


def shelf(stock: ShelfPlan, units: DisplayUnits) -> Iterator[Line]:
    """Explain a shelf: its entries, and when to order more."""
    cost = "" if stock.price_per_l is None else f" It costs {units.cost_as(stock.price_per_l, '.4g')}."
    yield (
        "Entries",
        f"clearwell sample --config FILE --of {stock.ident} --litres L for water put there, --took L for "
        "water taken, or --left L for a count. Its end is forecast; the forecast says to order "
        f"{stock.lead_days:g} days before.{cost}",
    )
