"""What ``clearwell check`` says of the log, the hub and its announcements. Core."""

from collections.abc import Iterator

from bridge.commands.check_words import Line, listed
from bridge.config.plan import BridgePlan, HubPlan
from bridge.mqtt.announcements import Announcements


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
    standing = Announcements(found.announcements, found.layout).standing(identities)
    live = sum(template.has_value for template in found.announcements)
    parts = []
    if standing:
        more = f" and {len(standing) - 1} more" if len(standing) > 1 else ""
        parts.append(f"at each connection {standing[0].topic}{more}")
    if live:
        topics = listed([template.topic for template in found.announcements if template.has_value])
        parts.append(f"with every new value {topics}")
    return f"{'; '.join(parts)}."
