"""Explains in plain sentences what the daemon will do, for ``clearwell check``. Core."""

import textwrap
from collections.abc import Iterator

from bridge.commands.check.reservoir import Line, Units, cartridge, guarded, measured, reservoir
from bridge.config.plan import BridgePlan, HubPlan, TraysPlan
from bridge.display.text import listed
from bridge.forecast.by_hand import HandPlan, ShelfPlan
from bridge.mqtt.announcements import Announcements
from bridge.mqtt.broker import MqttVersion
from bridge.units import DisplayUnits
from bridge.water.measurement import scale_label


def wrapped(sentences: str, before: str, width: int) -> str:
    """Wrap sentences to a terminal's width; the first line begins with ``before``, the others with blanks."""
    return textwrap.fill(
        sentences,
        width,
        initial_indent=before,
        subsequent_indent=" " * len(before),
        break_long_words=False,
        break_on_hyphens=False,
    )


def people(units: DisplayUnits) -> str:
    """Name the units that people are shown."""
    money = f", money in {units.currency}" if units.currency else ""
    where = "of this machine" if units.zone is None else f"of {units.zone}"
    return (
        f"volumes in {units.volume.value}, temperatures in {units.temperature.value}, dissolved solids in "
        f"{units.solids.value}{money}, and the time {where} (table [display]). Published and kept values "
        "stay in L, °C, ppm and UTC."
    )


def log(plan: BridgePlan) -> Iterator[Line]:
    """Explain where the log is, what it keeps, and what is sent to the hub."""
    if plan.log is None:
        yield "File", "none. After a restart trips, alarms and the purifier's load are lost."
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


def page(plan: BridgePlan) -> Iterator[Line]:
    """Explain where the page is served, and whether it takes commands."""
    found = plan.page
    if found is None:
        yield "", "there is no table [page], so no page is served."
        return
    host = f"[{found.host}]" if ":" in found.host else found.host
    if found.host in ("0.0.0.0", "::"):
        names = f", also as {listed(list(found.names))}" if found.names else ""
        where = f"at port {found.port} of every address of this machine{names}"
    else:
        where = f"at http://{host}:{found.port}/"
    yield "Address", f"{where}, without encryption. It is a process of its own; no valve waits for it."
    if found.token is None:
        yield (
            "Commands",
            "none: it only shows, until it has a token (CLEARWELL_PAGE__TOKEN or file page_token).",
        )
    else:
        yield "Commands", "from everybody who gives the token."


def hub(plan: BridgePlan) -> Iterator[Line]:
    """Explain the broker, and what is published, accepted and announced there."""
    found = plan.hub
    if found is None:
        yield "", "there is no table [hub], so nothing is published. The guard works all the same."
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
        "It may be away at any time; no valve waits for it.",
    )
    devices = [layout.base(layout.device(one.identity.reservoir)) for one in plan.stations]
    yield (
        "Publishes",
        f"the bridge '{layout.name}' at {layout.base(layout.bridge)} and its reservoirs at "
        f"{listed(devices)}, by the Homie convention, version 5: a value when it changes, and each at least "
        f"every {found.heartbeat_s:g} s; alarms under $alert.",
    )
    retained = "A retained one is refused."
    if broker.version is MqttVersion.V311:
        retained = (
            "MQTT 3.1.1 does not show that a fresh command is retained, so such a command is obeyed once and "
            "refused at the next connection."
        )
    yield (
        "Accepts",
        "hold, start a fill, acknowledge, reset, shelve, cartridge changed, and readings by hand. None of "
        f"them opens the valve against a trip or without a permissive. {retained}",
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


def trays(found: TraysPlan, units: DisplayUnits) -> Iterator[Line]:
    """Explain the trays in the order of the round, and where their weather comes from."""
    for one in found.trays:
        spill = f"it drains above {one.kept_mm:g} mm" if one.drained else f"its rim is at {one.rim_mm:g} mm"
        rain = "no rain falls in" if one.covered else "rain falls in"
        mark_l = one.area_m2 * one.kept_mm
        yield (
            "Tray",
            f"{one.name} ({one.ident}): {units.litres_as(mark_l, '.3g')} at {one.kept_mm:g} mm, fed from "
            f"{one.fed_from}; {spill}; {rain}; {one.pots} pots; the limit is {one.limit_ppm:g} ppm.",
        )
    weather = "no latitude is known, so every day counts as a usual one; add the table [weather]"
    if found.site is not None:
        of = found.weather_file or (found.temperature_of and f"the controller of {found.temperature_of}")
        weather = f"at latitude {found.site.latitude_deg:g}, from the hub{f' or from {of}' if of else ''}"
    yield "Weather", f"{weather}."
    yield (
        "Entries",
        "clearwell round lists what each tray needs; --done enters it. The daemon does not use it.",
    )


_CAUTION = (
    "Low-voltage wiring only; mains work is for a licensed electrician. Backflow protection (an air gap) "
    "before the purifier and an overflow pipe to a drain, as the local plumbing code asks. A conductivity "
    "reading never shows that water is safe to drink."
)


def explained(plan: BridgePlan) -> Iterator[tuple[str, list[Line]]]:
    """Explain each reservoir, each purifier and shelf kept by hand, and the rest: titles with their lines."""
    for station in plan.stations:
        title = f'Reservoir "{station.identity.name}" ({station.identity.reservoir})'
        shown = Units(plan.display, station.identity.factor)
        yield title, [*reservoir(station, shown), *measured(station, shown), *guarded(station, shown)]
    for kept in plan.by_hand:
        shown = Units(plan.display, kept.factor)
        yield f'Purifier "{kept.name}" ({kept.ident}), kept by hand', list(by_hand(kept, shown))
    for stock in plan.shelves:
        yield f'Shelf "{stock.name}" ({stock.ident}), kept by hand', list(shelf(stock, plan.display))
    if plan.trays is not None:
        yield "Trays", list(trays(plan.trays, plan.display))
    yield "Log", list(log(plan))
    yield "Hub", list(hub(plan))
    yield "Page", list(page(plan))
    yield "Display", [("Units", people(plan.display))]
    yield "Caution", [("", _CAUTION)]
