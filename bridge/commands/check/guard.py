"""Explains the guard's bounds, the log, the hub and its announcements for ``clearwell check``. Core.

The parts that put lines and quantities into words serve the other files of ``check`` too.
"""

import textwrap
from collections.abc import Iterator
from dataclasses import dataclass

from bridge.config.plan import BridgePlan, HubPlan
from bridge.mqtt.announcements import Announcements
from bridge.station.plan import StationPlan
from bridge.units import DisplayUnits

_WIDTH = 100
Line = tuple[str, str]
"""A label and sentences."""


def wrapped(sentences: str, before: str) -> str:
    """Wrap sentences to a terminal's width; the first line begins with ``before``, the others with blanks."""
    return textwrap.fill(
        sentences,
        _WIDTH,
        initial_indent=before,
        subsequent_indent=" " * len(before),
        break_long_words=False,
        break_on_hyphens=False,
    )


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


def people(units: DisplayUnits) -> str:
    """Name the units that people are shown."""
    money = f", money in {units.currency}" if units.currency else ""
    where = "of this machine" if units.zone is None else f"of {units.zone}"
    return (
        f"volumes in {units.volume.value}, temperatures in {units.temperature.value}, dissolved solids in "
        f"{units.solids.value}{money}, and the time {where} (table [display]). Published and kept values "
        "stay in L, °C, ppm and UTC."
    )


def span(seconds: float) -> str:
    """Show a duration in seconds, minutes or hours."""
    if seconds >= 7200.0:
        return f"{seconds / 3600.0:.4g} hours"
    return f"{seconds / 60.0:.4g} minutes" if seconds >= 120.0 else f"{seconds:g} seconds"


def listed(parts: list[str]) -> str:
    """Join words as in ``a, b and c``."""
    return " and ".join([", ".join(parts[:-1]), parts[-1]] if len(parts) > 1 else parts)


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
        f"no water flows in if the mixing balance reaches {shown.ppm(limits.reservoir_limit_ppm)}. At the "
        f"first start the reservoir is assumed to have {shown.ppm(station.assumed_ppm)}; send a sample of it "
        "soon.",
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
    yield (
        "Accepts",
        "hold, start a fill, acknowledge, reset, shelve, cartridge changed, and readings by hand. None of "
        "them opens the valve against a trip or without a permissive.",
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
