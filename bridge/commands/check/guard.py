"""What ``clearwell check`` says of the log, the hub and its announcements. Core.

What ``clearwell check`` says of the bounds within which a valve is opened. Core.
"""

from collections.abc import Iterator

from bridge.commands.check.words import Line, Told, listed, span
from bridge.config.plan import BridgePlan, HubPlan
from bridge.mqtt.announcements import Announcements
from bridge.station.plan import StationPlan


def guarded(station: StationPlan, told: Told) -> Iterator[Line]:
    """Every limit and bound, and what happens beyond it."""
    limits, level = station.limits, station.level
    capacity_l = level.shape.capacity_l
    yield (
        "Limit",
        f"product that with its uncertainty reaches {told.ppm(limits.limit_ppm)} shuts the valve at once. "
        "It trips, and stays shut until a cartridge change or a passed retest and a reset, when it lasts "
        f"{limits.persistence_s:g} s, comes {limits.excursions_max} times in one fill, or reaches "
        f"{told.ppm(limits.gross_ppm)}.",
    )
    yield (
        "Target",
        f"from {told.ppm(limits.target_ppm)} an alarm tells you, and the fill goes on.",
    )
    yield (
        "Reservoir",
        f"by the mixing balance it must stay under {told.ppm(limits.reservoir_limit_ppm)}, or nothing more "
        f"flows in. At the first start it is taken to hold {told.ppm(station.assumed_ppm)}; send a sample "
        "of it soon.",
    )
    to = (
        "to the drain"
        if limits.has_drain
        else "into the reservoir, for want of a drain valve, and only while all of it stays under its limit"
    )
    yield (
        "Rinse",
        f"every fill begins with a rinse of {limits.rinse_min_s:g} to {limits.rinse_max_s:g} s {to}; it "
        f"ends when the product has been good for {limits.in_spec_s:g} s, and trips when it is still not "
        "good at its end.",
    )
    fill_l = (level.fill_fraction - level.refill_fraction) * capacity_l
    yield (
        "Bounds",
        f"one fill brings at most {told.litres(limits.fill_max_l)} in {span(limits.fill_max_s)}, and 24 "
        f"hours at most {told.litres(limits.daily_max_l)}; more trips. From mark to mark are "
        f"{told.litres(fill_l)}, so the purifier must give more than "
        f"{told.units.litres_as(60.0 * fill_l / limits.fill_max_s, '.2g')} a minute.",
    )
    if level.level_sensor is not None:
        least = told.units.litres_as(60.0 * limits.no_rise_l / limits.no_rise_after_s, ".2g")
        yield (
            "Rise",
            f"{span(limits.no_rise_after_s)} of flow must raise the level by "
            f"{told.litres(limits.no_rise_l)}, which is {least} a minute; less trips. "
            f"{_closed(station, told)}",
        )
    elif limits.rise_closed_l is not None:
        yield "Rise", "a full switch that turns wet with the valve shut trips."
    else:
        yield "Rise", f"with the valve shut it is taken as rain of {told.ppm(station.rain_ppm)}."
    yield (
        "Water",
        f"flows only from {told.celsius(limits.temperature_low_c)} to "
        f"{told.celsius(limits.temperature_high_c)}. A silent controller shuts it after "
        f"{limits.stale_after_s:g} s and trips after {limits.link_lost_after_s:g} s; a failed probe trips "
        f"after {limits.probe_failure_after_s:g} s, an unknown level after {limits.level_failure_after_s:g} "
        "s.",
    )


def _closed(station: StationPlan, told: Told) -> str:
    bound_l = station.limits.rise_closed_l
    if station.rain_ppm is not None:
        rain = f"A rise with the valve shut is taken as rain of {told.ppm(station.rain_ppm)}"
        return f"{rain}." if bound_l is None else f"{rain}, up to {told.litres(bound_l)}; more trips."
    return f"A rise of {told.litres(bound_l or 0.0)} with the valve shut trips."


def log(plan: BridgePlan) -> Iterator[Line]:
    """Where the log is, what it keeps, and what of it goes to the hub."""
    if plan.log is None:
        yield "File", "none. A restart forgets trips, alarms and what the purifier has taken up."
        return
    settings = plan.log.settings
    yield (
        "File",
        f"{plan.log.path}. Readings for {settings.raw_days} days, their minutes and hours for years; "
        "alarms, trips and commands at once and for years. Trips, alarms and a hold survive a restart.",
    )
    if settings.outbox is not None and plan.hub is not None:
        yield (
            "Records",
            f"for the hub's log on clearwell/{plan.hub.layout.bridge}/records, as SenML with their own "
            "times; what the broker has not acknowledged waits on disk.",
        )


def hub(plan: BridgePlan) -> Iterator[Line]:
    """The broker, and what is shown, taken and announced there."""
    found = plan.hub
    if found is None:
        yield "", "There is no table [hub]: nothing is shown or announced. The guard works all the same."
        return
    broker, layout = found.broker, found.layout
    user = "without a user name"
    if broker.username is not None:
        user = "with a user name" + (" and a password" if broker.password is not None else " and no password")
    tls = "not encrypted"
    if broker.tls is not None:
        tls = "over TLS" + (" with a client certificate" if broker.tls.cert_file is not None else "")
    yield (
        "Broker",
        f"{broker.address}, MQTT {broker.version.value}, {tls}, {user}, as the client '{broker.client_id}'. "
        "It may come and go; no valve waits for it.",
    )
    devices = [layout.base(layout.device(one.identity.reservoir)) for one in plan.stations]
    yield (
        "Shows",
        f"the bridge '{layout.name}' at {layout.base(layout.bridge)} and its reservoirs at "
        f"{listed(devices)}, by the Homie convention, version 5: a value when it changes, and each at least "
        f"every {found.heartbeat_s:g} s; alarms under $alert.",
    )
    yield (
        "Takes",
        "hold, start a fill, acknowledge, reset, shelve, cartridge changed, and readings by hand. None of "
        "them opens the valve against a trip or a missing permissive.",
    )
    if found.announcements:
        yield "Announces", _announced(plan, found)


def _announced(plan: BridgePlan, found: HubPlan) -> str:
    identities = [station.identity for station in plan.stations]
    standing = Announcements(found.announcements, found.layout).without_value(identities)
    live = sum(template.has_value for template in found.announcements)
    parts = []
    if standing:
        more = f" and {len(standing) - 1} more" if len(standing) > 1 else ""
        parts.append(f"at each connection {standing[0].topic}{more}")
    if live:
        topics = listed([template.topic for template in found.announcements if template.has_value])
        parts.append(f"with every new value {topics}")
    return f"{'; '.join(parts)}."
