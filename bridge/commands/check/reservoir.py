"""Explains in plain sentences what the daemon will do with one reservoir, for ``clearwell check``. Core."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC

from bridge.config.modbus import CANNOT_PROMISE
from bridge.display.text import listed
from bridge.forecast.learned import draw_off_settings
from bridge.station.plan import CartridgePlan, ProbePlan, StationPlan
from bridge.tank import shapes
from bridge.tank.leak import least_leak_l_h
from bridge.tank.use import HOURS
from bridge.units import DisplayUnits
from bridge.water.conductivity import Method
from bridge.water.measurement import budget_at_limit, scale_label

Line = tuple[str, str]
"""A label and sentences."""


@dataclass(frozen=True, slots=True)
class Units:
    """Shows the quantities of one reservoir in the units of the configuration."""

    units: DisplayUnits
    factor: float

    def litres(self, volume_l: float) -> str:
        """Show a volume, without decimals from 20 on."""
        return self.units.litres_as(volume_l, ".0f" if self.units.litres(volume_l).number >= 20.0 else ".1f")

    def ppm(self, ppm: float | None) -> str:
        """Show dissolved solids; an empty text for None."""
        return "" if ppm is None else self.units.ppm_as(ppm, self.factor, ".4g")

    def celsius(self, temperature_c: float) -> str:
        """Show a temperature."""
        return self.units.celsius_as(temperature_c, ".4g")


def span(seconds: float) -> str:
    """Show a duration in seconds, minutes or hours."""
    if seconds >= 7200.0:
        return f"{seconds / 3600.0:.4g} hours"
    return f"{seconds / 60.0:.4g} minutes" if seconds >= 120.0 else f"{seconds:g} seconds"


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
    if level.level_sensor is not None:
        yield "Leak", _leak(station, shown)


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


def _leak(station: StationPlan, shown: Units) -> str:
    settings, level = draw_off_settings(station), station.level
    usual_l = 0.5 * (level.refill_fraction + level.fill_fraction) * level.shape.capacity_l
    least_l = HOURS * least_leak_l_h(settings, usual_l)
    sentence = f"one of {shown.litres(least_l)} a day is found within two weeks where afternoons are quiet"
    if settings.night_draw is not None:
        return sentence + ", from the first day on: the draw at night is stated."
    return (
        sentence
        + ", if it begins after a quiet month. The draw at night is not stated ('night_draw_percent'): "
        "of leaks from the first day, one in ten is found beside misting, and four in ten beside wicks."
    )


def measured(station: StationPlan, shown: Units) -> Iterator[Line]:
    """Explain the scale, the probes, the purifier and the flow."""
    yield (
        "Scale",
        f"every ppm of this reservoir, limits too, is {scale_label(station.identity.factor)}. A pocket "
        "meter with another factor shows another number for the same water.",
    )
    yield "Product", _probe(station.product)
    yield "Uncertainty", interval(station.product, station.limits.limit_ppm, shown)
    if station.check is not None:
        yield (
            "Check cell",
            f"{_probe(station.check)} The worse value of the two cells decides. A difference beyond their "
            "common uncertainty, or a change of their ratio by 10 %, causes a trip.",
        )
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


def interval(probe: ProbePlan, limit_ppm: float, shown: Units) -> str:
    """Explain the uncertainty of a reading at the limit, and what makes most of it."""
    found, celsius = budget_at_limit(probe.chain, limit_ppm)
    shuts_ppm = float(f"{limit_ppm - found.expanded_ppm:.2g}")
    return (
        f"at the limit in water of {shown.celsius(celsius)} the product is known to "
        f"±{shown.ppm(float(f'{found.expanded_ppm:.2g}'))} (k = 2), so the valve shuts from about "
        f"{shown.ppm(shuts_ppm)}. Most of the uncertainty is from: {found.largest.source.value}."
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


def guarded(station: StationPlan, shown: Units) -> Iterator[Line]:
    """Explain every limit and bound, and what happens beyond it."""
    limits, level = station.limits, station.level
    capacity_l = level.shape.capacity_l
    yield (
        "Limit",
        f"the valve shuts at once if the product with its uncertainty reaches {shown.ppm(limits.limit_ppm)}. "
        f"That causes a trip if it lasts {limits.persistence_s:g} s, happens {limits.excursions_max} times "
        f"in one fill, or reaches {shown.ppm(limits.gross_ppm)}; the valve then stays shut until a cartridge "
        "change or a passed retest, and a reset.",
    )
    yield (
        "Target",
        f"an alarm is raised from {shown.ppm(limits.target_ppm)}, and the fill goes on.",
    )
    yield (
        "Reservoir",
        "no water flows in if the estimate of its water, on the safe side, reaches "
        f"{shown.ppm(limits.reservoir_limit_ppm)}. At the first start the reservoir is assumed to have "
        f"{shown.ppm(station.assumed_ppm)}; enter a sample of it soon.",
    )
    to = (
        "to the drain"
        if limits.has_drain
        else "into the reservoir, because there is no drain valve, and only while the reservoir stays under "
        "its limit"
    )
    yield (
        "Rinse",
        f"every fill begins with a rinse of {limits.rinse_min_s:g} to {limits.rinse_max_s:g} s {to}; it "
        f"ends when the product has been good for {limits.in_spec_s:g} s, and causes a trip if the product "
        "is not good at its end.",
    )
    fill_l = (level.fill_fraction - level.refill_fraction) * capacity_l
    yield (
        "Bounds",
        f"one fill brings at most {shown.litres(limits.fill_max_l)} in {span(limits.fill_max_s)}, and 24 "
        f"hours at most {shown.litres(limits.daily_max_l)}; more than that causes a trip. From mark to mark "
        f"is {shown.litres(fill_l)}, so the purifier must deliver more than "
        f"{shown.units.litres_as(60.0 * fill_l / limits.fill_max_s, '.2g')} a minute.",
    )
    if level.level_sensor is not None:
        least = shown.units.litres_as(60.0 * limits.no_rise_l / limits.no_rise_after_s, ".2g")
        yield (
            "Rise",
            f"{span(limits.no_rise_after_s)} of flow must raise the level by "
            f"{shown.litres(limits.no_rise_l)}, which is {least} a minute; less than that causes a trip. "
            f"{_closed(station, shown)}",
        )
    elif limits.rise_closed_l is not None:
        yield "Rise", "a full switch that becomes wet with the valve shut causes a trip."
    else:
        yield "Rise", f"a rise with the valve shut is counted as rain of {shown.ppm(station.rain_ppm)}."
    yield (
        "Water",
        f"flows only from {shown.celsius(limits.temperature_low_c)} to "
        f"{shown.celsius(limits.temperature_high_c)}. If the controller is silent, the valve shuts after "
        f"{limits.stale_after_s:g} s, and a trip follows after {limits.link_lost_after_s:g} s. "
        f"A failed probe causes a trip after {limits.probe_failure_after_s:g} s, an unknown level after "
        f"{limits.level_failure_after_s:g} s.",
    )


def _closed(station: StationPlan, shown: Units) -> str:
    bound_l = station.limits.rise_closed_l
    if station.rain_ppm is not None:
        rain = f"A rise with the valve shut is counted as rain of {shown.ppm(station.rain_ppm)}"
        return (
            f"{rain}."
            if bound_l is None
            else f"{rain}, up to {shown.litres(bound_l)}; more than that causes a trip."
        )
    return f"A rise of {shown.litres(bound_l or 0.0)} with the valve shut causes a trip."
