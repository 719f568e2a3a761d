"""``clearwell check``: is a configuration right, and what will the daemon do with it?"""

import os
import textwrap
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC
from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from bridge.display.units import DisplayUnits
    from bridge.plan import BridgePlan, CartridgePlan, HandPlan, HubPlan, ProbePlan, ShelfPlan, StationPlan

_LABEL, _WIDTH = 13, 100
Line = tuple[str, str]
"""What it is about, and sentences on it."""


@click.command("check")
@click.argument("file", type=click.Path(path_type=Path))
def command(file: Path) -> None:
    """Check the configuration FILE and explain what the daemon will do.

    Nothing is opened and nothing is moved. The exit status is 0 when FILE is right, warnings or not, and 2
    when it is wrong; then every mistake found is named, with its key and what would be right.
    """
    from bridge.commands.place import environ_of_service
    from bridge.settings.file import read

    configuration = read(file, environ_of_service(file, os.environ))
    click.echo(f"{file} is right. This is what the daemon will do.")
    for title, lines in explain(configuration.plan):
        click.echo(f"\n{title}")
        for label, sentences in lines:
            click.echo(_wrapped(sentences, f"  {label:<{_LABEL}}" if label else "  "))
    for warning in configuration.warnings:
        click.echo()
        click.echo(_wrapped(f"{warning}.", "Warning: "))


def explain(plan: "BridgePlan") -> Iterator[tuple[str, list[Line]]]:
    """The plan in plain sentences: a title and its lines, for each reservoir and for the hub."""
    for station in plan.stations:
        title = f'Reservoir "{station.identity.name}" ({station.identity.reservoir})'
        told = _Told(plan.display, station.identity.factor)
        yield title, [*_reservoir(station, told), *_measured(station, told), *_guarded(station, told)]
    for hand in plan.by_hand:
        yield (
            f'Purifier "{hand.name}" ({hand.ident}), kept by hand',
            list(_by_hand(hand, _Told(plan.display, hand.factor))),
        )
    for shelf in plan.shelves:
        lines = list(_shelf(shelf, plan.display))
        yield f'Shelf "{shelf.name}" ({shelf.ident}), kept by hand', lines
    yield "Log", list(_log(plan))
    yield "Hub", list(_hub(plan))
    yield "People", [("Are shown", _shown(plan.display))]
    yield (
        "Caution",
        [
            (
                "",
                "Low-voltage wiring only; mains work is for a licensed electrician. Backflow protection (an "
                "air "
                "gap) before the purifier and an overflow pipe to a drain, as the local plumbing code asks. "
                "A "
                "conductivity reading never shows that water is safe to drink.",
            )
        ],
    )


# --- the reservoir and what is measured ------------------------------------------------------------


def _reservoir(station: "StationPlan", told: "_Told") -> Iterator[Line]:
    from bridge.tank import shapes

    lease_s = station.limits.lease_s
    if station.modbus is not None:
        yield "Modbus", _modbus(station)
    else:
        yield (
            "Controller",
            f"on {station.port} at {station.baud} bit/s. Its valve is opened for {lease_s:g} s at a time, "
            "renewed "
            f"while all is well; when the bridge stops, the controller shuts it within these {lease_s:g} s.",
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
    yield "Shape", f"{words}; brim-full it holds {told.litres(capacity_l)}."
    yield (
        "Marks",
        f"a fill starts at or below {told.litres(level.refill_fraction * capacity_l)} "
        f"({level.refill_fraction:.0%}, "
        f"{level.refill_m:.2f} m deep) and ends at {told.litres(level.fill_fraction * capacity_l)} "
        f"({level.fill_fraction:.0%}, {level.fill_m:.2f} m).",
    )
    yield "Level", _level(station)


def _modbus(station: "StationPlan") -> str:
    from bridge.settings.modbus import CANNOT_PROMISE

    modbus, lease_s = station.modbus, station.limits.lease_s
    assert modbus is not None
    relays = [relay for relay in (modbus.valve, modbus.drain) if relay is not None]
    devices = sorted({modbus.conductivity.device, modbus.temperature.device, *(one.device for one in relays)})
    line = (
        f"transmitters and relays, devices {_listed([str(one) for one in devices])} among them, on "
        f"{station.port} "
        f"at {station.baud} bit/s, asked every {modbus.poll_s:g} s."
    )
    if any(relay.time_limit_register is None for relay in relays):
        return (
            f"{line} The bridge switches the valve off after {lease_s:g} s unrenewed; but {CANNOT_PROMISE}."
        )
    return (
        f"{line} The relay is switched on for {lease_s:g} s at a time, renewed while all is well; when the "
        "bridge "
        f"stops, the relay module itself shuts the valve within these {lease_s:g} s."
    )


def _level(station: "StationPlan") -> str:
    level = station.level
    parts = []
    if level.sender is not None:
        low_m, high_m = level.sender.table.depths_m
        step = f" in steps of {1000.0 * level.sender.step_m:g} mm" if level.sender.step_m else ""
        parts.append(f"a float sender from {low_m:g} to {high_m:g} m{step}")
    parts += ["a low switch"] * level.low_switch + ["a full switch"] * level.full_switch
    sentence = f"measured by {_listed(parts)}."
    if level.sender is None:
        sentence += " A zone is known, and no volume."
    if level.overflow_switch:
        return sentence + " The overflow float shuts the valve at once, and so does one that is not reported."
    return sentence + " No overflow float is fitted."


def _measured(station: "StationPlan", told: "_Told") -> Iterator[Line]:
    from bridge.water.solids import scale_label

    yield (
        "Scale",
        f"every ppm of this reservoir, limits too, is {scale_label(station.identity.factor)}. A pocket "
        "meter with "
        "another factor shows another number for the same water.",
    )
    yield "Product", _probe(station.product)
    if station.feed is not None:
        yield "Feed", _probe(station.feed)
    elif station.feed_ppm is not None:
        yield "Feed", f"not measured; taken to be {told.ppm(station.feed_ppm)} for the purifier's load."
    else:
        yield "Feed", "neither measured nor stated, so the purifier's load is not known (purifier.feed_ppm)."
    fitted = station.cartridge
    if fitted is not None:
        yield "Cartridge", _cartridge(fitted)
    if station.litres_per_pulse is not None:
        yield "Flow", f"counted, {1000.0 * station.litres_per_pulse:.4g} mL for each pulse."
    elif station.level.sender is not None:
        yield "Flow", "not counted; what a fill has brought is read from the rise of the level."
    else:
        yield "Flow", "not counted, and without a sender the volume of a fill is not known."


def _probe(probe: "ProbePlan") -> str:
    from bridge.water.compensation import Method

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
        "water counts "
        f"as a failed probe. {_calibrated(probe)}"
    )


def _calibrated(probe: "ProbePlan") -> str:
    made = probe.calibration
    if made is None:
        return "The constant is the configuration's; no calibration is in force."
    return (
        f"The constant is that of the calibration of {made.made.astimezone(UTC):%Y-%m-%d %H:%M} UTC in the "
        "standard "
        f"{made.standard}, ±{2.0 * made.cell_constant_percent:.2g} % (k = 2), in {made.file}."
    )


# --- what is kept by hand --------------------------------------------------------------------------


def _by_hand(hand: "HandPlan", told: "_Told") -> Iterator[Line]:
    from bridge.water.solids import scale_label

    yield (
        "Scale",
        f"{scale_label(hand.factor)}; the limit is {told.ppm(hand.limit_ppm)}, the advice "
        f"{told.ppm(hand.advice_ppm)}.",
    )
    fed = "not stated; give feed_ppm, or enter --feed-ppm, or nothing can be forecast"
    if hand.feed_ppm is not None:
        fed = f"taken to be {told.ppm(hand.feed_ppm)} until a sample of it is entered"
    yield "Feed", f"{fed}."
    yield "Cartridge", _cartridge(hand.cartridge)
    yield (
        "Entries",
        f"clearwell sample --config FILE --of {hand.ident} --litres L --ppm N, in one line for each time; "
        "the daemon has nothing to do with it.",
    )


def _shelf(shelf: "ShelfPlan", units: "DisplayUnits") -> Iterator[Line]:
    cost = "" if shelf.price_per_l is None else f" It costs {units.cost_as(shelf.price_per_l, '.4g')}."
    yield (
        "Entries",
        f"clearwell sample --config FILE --of {shelf.ident} --litres L for what is put there, --took L, or "
        "--left L for a count. How long it lasts is forecast, and more is called for "
        f"{shelf.lead_days:g} days ahead.{cost}",
    )


def _cartridge(fitted: "CartridgePlan") -> str:
    what = "unknown" if fitted.rated_g is None else f"{fitted.rated_g:.4g} g"
    if fitted.rejection_percent is not None:
        what = f"{fitted.rejection_percent:g} % rejection"
    return (
        f"{fitted.kind.value}, rated {what}; its end is forecast, and an order is called for "
        f"{fitted.lead_days:g} days ahead."
    )


# --- the guard -----------------------------------------------------------------------------------


def _guarded(station: "StationPlan", told: "_Told") -> Iterator[Line]:
    limits, level = station.limits, station.level
    capacity_l = level.shape.capacity_l
    yield (
        "Limit",
        f"product that with its uncertainty reaches {told.ppm(limits.limit_ppm)} shuts the valve at once. It "
        "trips, and "
        "stays shut until a cartridge change or a passed retest and a reset, when it lasts "
        f"{limits.persistence_s:g} s, "
        f"comes {limits.excursions_max} times in one fill, or reaches {told.ppm(limits.gross_ppm)}.",
    )
    yield (
        "Advice",
        f"from {told.ppm(limits.advice_ppm)} an alarm tells you, and the fill goes on.",
    )
    yield (
        "Reservoir",
        f"by the mixing balance it must stay under {told.ppm(limits.reservoir_limit_ppm)}, or nothing more "
        "flows in. At the "
        f"first start it is taken to hold {told.ppm(station.assumed_ppm)}; send a sample of it soon.",
    )
    to = (
        "to the drain"
        if limits.has_drain
        else "into the reservoir, for want of a drain valve, and only while all of it stays under its limit"
    )
    yield (
        "Rinse",
        f"every fill begins with a rinse of {limits.rinse_min_s:g} to {limits.rinse_max_s:g} s {to}; it "
        "ends when the product has "
        f"been good for {limits.in_spec_s:g} s, and trips when it is still not good at its end.",
    )
    fill_l = (level.fill_fraction - level.refill_fraction) * capacity_l
    yield (
        "Bounds",
        f"one fill brings at most {told.litres(limits.fill_max_l)} in {_span(limits.fill_max_s)}, and 24 "
        "hours at most "
        f"{told.litres(limits.daily_max_l)}; more trips. From mark to mark are {told.litres(fill_l)}, so the "
        "purifier must give "
        f"more than {told.units.litres_as(60.0 * fill_l / limits.fill_max_s, '.2g')} a minute.",
    )
    if level.sender is not None:
        least = told.units.litres_as(60.0 * limits.no_rise_l / limits.no_rise_after_s, ".2g")
        yield (
            "Rise",
            f"{_span(limits.no_rise_after_s)} of flow must raise the level by "
            f"{told.litres(limits.no_rise_l)}, which is "
            f"{least} a minute; less trips. {_closed(station, told)}",
        )
    elif limits.rise_closed_l is not None:
        yield "Rise", "a full switch that turns wet with the valve shut trips."
    else:
        yield "Rise", f"with the valve shut it is taken as rain of {told.ppm(station.rain_ppm)}."
    yield (
        "Water",
        f"flows only from {told.celsius(limits.temperature_low_c)} to "
        f"{told.celsius(limits.temperature_high_c)}. A silent controller shuts "
        f"it after {limits.stale_after_s:g} s and trips after {limits.link_lost_after_s:g} s; a failed "
        "probe trips after "
        f"{limits.probe_failure_after_s:g} s, an unknown level after {limits.level_failure_after_s:g} s.",
    )


def _closed(station: "StationPlan", told: "_Told") -> str:
    bound_l = station.limits.rise_closed_l
    if station.rain_ppm is not None:
        rain = f"A rise with the valve shut is taken as rain of {told.ppm(station.rain_ppm)}"
        return f"{rain}." if bound_l is None else f"{rain}, up to {told.litres(bound_l)}; more trips."
    return f"A rise of {told.litres(bound_l or 0.0)} with the valve shut trips."


# --- the hub -------------------------------------------------------------------------------------


def _log(plan: "BridgePlan") -> Iterator[Line]:
    if plan.log is None:
        yield "File", "none. A restart forgets trips, alarms and what the purifier has taken up."
        return
    settings = plan.log.settings
    yield (
        "File",
        f"{plan.log.path}. Readings for {settings.raw_days} days, their minutes and hours for years; alarms, "
        "trips and commands at once and for years. Trips, alarms and a hold survive a restart.",
    )
    if settings.outbox is not None and plan.hub is not None:
        yield (
            "Records",
            f"for the hub's log on clearwell/{plan.hub.layout.bridge}/records, as SenML with their own "
            "times; "
            "what the broker has not acknowledged waits on disk.",
        )


def _hub(plan: "BridgePlan") -> Iterator[Line]:
    hub = plan.hub
    if hub is None:
        yield "", "There is no table [hub]: nothing is shown or announced. The guard works all the same."
        return
    broker, layout = hub.broker, hub.layout
    user = "without a user name"
    if broker.username is not None:
        user = "with a user name" + (" and a password" if broker.password is not None else " and no password")
    tls = "not encrypted"
    if broker.tls is not None:
        tls = "over TLS" + (" with a client certificate" if broker.tls.cert_file is not None else "")
    yield (
        "Broker",
        f"{broker.address}, MQTT {broker.version.value}, {tls}, {user}, as the client '{broker.client_id}'. "
        "It may come "
        "and go; no valve waits for it.",
    )
    devices = [layout.base(layout.device(one.identity.reservoir)) for one in plan.stations]
    yield (
        "Shows",
        f"the bridge '{layout.name}' at {layout.base(layout.bridge)} and its reservoirs at "
        f"{_listed(devices)}, by the "
        f"Homie convention, version 5: a value when it changes, and each at least every {hub.heartbeat_s:g} "
        "s; alarms "
        "under $alert.",
    )
    yield (
        "Takes",
        "hold, start a fill, acknowledge, reset, shelve, cartridge changed, and readings by hand. None of "
        "them opens "
        "the valve against a trip or a missing permissive.",
    )
    if hub.announcements:
        yield "Announces", _announced(plan, hub)


def _announced(plan: "BridgePlan", hub: "HubPlan") -> str:
    from bridge.hub.announcements import Announcements

    identities = [station.identity for station in plan.stations]
    standing = Announcements(hub.announcements, hub.layout).standing(identities)
    live = sum(template.has_value for template in hub.announcements)
    parts = []
    if standing:
        more = f" and {len(standing) - 1} more" if len(standing) > 1 else ""
        parts.append(f"at each connection {standing[0].topic}{more}")
    if live:
        topics = _listed([template.topic for template in hub.announcements if template.has_value])
        parts.append(f"with every new value {topics}")
    return f"{'; '.join(parts)}."


# --- words ---------------------------------------------------------------------------------------


def _wrapped(sentences: str, before: str) -> str:
    return textwrap.fill(
        sentences,
        _WIDTH,
        initial_indent=before,
        subsequent_indent=" " * len(before),
        break_long_words=False,
        break_on_hyphens=False,
    )


@dataclass(frozen=True, slots=True)
class _Told:
    """Quantities of one reservoir as people are told them."""

    units: "DisplayUnits"
    factor: float

    def litres(self, volume_l: float) -> str:
        return self.units.litres_as(volume_l, ".0f" if self.units.litres(volume_l).number >= 20.0 else ".1f")

    def ppm(self, ppm: float | None) -> str:
        return "" if ppm is None else self.units.ppm_as(ppm, self.factor, ".4g")

    def celsius(self, temperature_c: float) -> str:
        return self.units.celsius_as(temperature_c, ".4g")


def _shown(units: "DisplayUnits") -> str:
    money = f", money in {units.currency}" if units.currency else ""
    where = "of this machine" if units.zone is None else f"of {units.zone}"
    return (
        f"volumes in {units.volume.value}, temperatures in {units.temperature.value}, dissolved solids in "
        f"{units.solids.value}{money}, and the time {where} (table [display]). What is published and kept "
        "stays in L, °C, ppm and UTC."
    )


def _span(seconds: float) -> str:
    if seconds >= 7200.0:
        return f"{seconds / 3600.0:.4g} hours"
    return f"{seconds / 60.0:.4g} minutes" if seconds >= 120.0 else f"{seconds:g} seconds"


def _listed(parts: list[str]) -> str:
    return " and ".join([", ".join(parts[:-1]), parts[-1]] if len(parts) > 1 else parts)
