"""What the page shows beside the facts: figures as a grower reads them, dates, and the alarms as cards. Core.

While the link to the controller is lost, the last values stay with their time: an old value helps, a value
that has vanished does not.
"""

import math
from collections.abc import Mapping
from dataclasses import replace
from datetime import timedelta
from typing import TypedDict

from bridge.daemon.page_lines import Fittings
from bridge.display.from_view import as_set
from bridge.guard.faults import FAULTS
from bridge.guard.model import Advisory, AlarmId, Permissive, Phase, Trip
from bridge.station.view import ActiveAlarm, StationView
from bridge.tank.daily_use import HORIZON_DAYS
from bridge.units import DisplayUnits
from bridge.web.steps import STEPS

FAR_BELOW = 0.1
"""Below this share of the target the exact figure does not matter to a plant."""
_KEPT = (
    "product_conductivity_25_us_cm", "product_ppm", "product_uncertainty_ppm", "product_temperature_c",
    "product_health", "feed_conductivity_25_us_cm", "feed_ppm", "feed_temperature_c", "feed_health",
    "volume_l", "level_fraction", "zone", "level_health", "overflow", "rejection_percent",
)  # fmt: skip
"""The measured values of a view."""
_KNOWN_WITHOUT_LINK = frozenset({Permissive.LINK_FRESH, Permissive.NO_TRIP, Permissive.NO_HOLD})
"""The permissives that need no reading."""


class StepShown(TypedDict):
    """One step, and the act of its button."""

    text: str
    act: str


class Card(TypedDict):
    """One alarm."""

    id: str
    heading: str
    did: str
    raised: int | None
    """UTC seconds; None if it is not known."""
    is_trip: bool
    is_first: bool
    steps: list[StepShown]


class Glance(TypedDict):
    """What the page shows of a reservoir beside its facts."""

    as_of: int | None
    """UTC seconds of the last reading while the link is lost; None while it is up."""
    water: str | None
    """The product as a grower reads it."""
    held: str | None
    """The water of the reservoir as a grower reads it."""
    refill: float | None
    fill: float | None
    """The marks as a fraction of the capacity."""
    refill_text: str | None
    fill_text: str | None
    dry: str | None
    """The day until which the water lasts, at the earliest."""
    has_cartridge: bool
    spent: str | None
    """The day until which the purifier lasts, at the earliest."""
    order: str | None
    """The day by which the next cartridge must be ordered."""
    idle_because_full: bool
    unknown: list[str]
    """The permissives that nobody knows while the link is lost."""
    cards: list[Card]


def shown_view(view: StationView, last: StationView | None) -> StationView:
    """Return a view with the last measured values in place of the unknown ones while the link is lost.

    Args:
        view: the newest view.
        last: the newest view with a link; None if there was none.
    """
    if view.link_up or last is None:
        return view
    return replace(view, **{name: getattr(last, name) for name in _KEPT})


def glance_of(
    view: StationView,
    fittings: Fittings,
    units: DisplayUnits,
    now_s: float,
    last_s: float | None,
    raised_ms: Mapping[str, int],
) -> Glance:
    """Return what the page shows of a view.

    Args:
        view: the view, as :func:`shown_view` returns it.
        fittings: the marks and the cartridge.
        units: the display units.
        now_s: the present time, UTC seconds.
        last_s: the time of the last view with a link; None if there was none.
        raised_ms: when each alarm was raised, UTC milliseconds.
    """
    identity = view.identity
    capacity_l = identity.capacity_l
    refill_l, fill_l = fittings.refill_l, fittings.fill_l
    left_days, lead_days = view.days_left_low, fittings.lead_days
    order_days = None if left_days is None or lead_days is None else max(0.0, left_days - lead_days)
    return Glance(
        as_of=None if view.link_up or last_s is None else int(last_s),
        water=plain_ppm(view, view.product_ppm, view.product_uncertainty_ppm, units),
        held=plain_ppm(view, view.reservoir_ppm, view.reservoir_uncertainty_ppm, units),
        refill=None if refill_l is None else round(refill_l / capacity_l, 4),
        fill=None if fill_l is None else round(fill_l / capacity_l, 4),
        refill_text=None if refill_l is None else as_set(units.litres(refill_l)),
        fill_text=None if fill_l is None else as_set(units.litres(fill_l)),
        dry=day_after(view.cover_low_days, units, now_s),
        has_cartridge=fittings.lead_days is not None or identity.has_forecast,
        spent=day_after(left_days, units, now_s),
        order=day_after(order_days, units, now_s),
        idle_because_full=view.phase == Phase.IDLE.value
        and set(view.missing_permissives) <= {Permissive.BELOW_FILL_MARK.value}
        and bool(view.missing_permissives),
        unknown=[] if view.link_up else [one.value for one in Permissive if one not in _KNOWN_WITHOUT_LINK],
        cards=[_card(alarm, view, raised_ms) for alarm in _in_order(view)],
    )


def plain_ppm(
    view: StationView, ppm: float | None, band_ppm: float | None, units: DisplayUnits
) -> str | None:
    """Show dissolved solids with the digits that a grower needs; None if they are not known.

    Args:
        view: the view, for the scale and the target.
        ppm: the value.
        band_ppm: its expanded uncertainty; None if it is not known.
        units: the display units.
    """
    if ppm is None or not math.isfinite(ppm):
        return None
    identity = view.identity
    little_ppm = FAR_BELOW * identity.target_ppm
    band = band_ppm if band_ppm is not None and math.isfinite(band_ppm) else 0.0
    if ppm + band < little_ppm:
        return f"under {as_set(units.ppm(little_ppm, identity.factor))}"
    shown = units.ppm(ppm, identity.factor)
    return f"{shown.number:.{0 if shown.number >= 10.0 else 1}f} {shown.unit}"


def day_after(days: float | None, units: DisplayUnits, now_s: float) -> str | None:
    """Return the date after a number of days, such as ``Sat 2026-12-05``; None if it is not known or far."""
    if days is None or not math.isfinite(days) or days >= HORIZON_DAYS:
        return None
    return (units.local(now_s) + timedelta(days=max(0.0, days))).strftime("%a %Y-%m-%d")


def _in_order(view: StationView) -> list[ActiveAlarm]:
    """Return the first-out trip, the other trips, the other alarms, and last those that are shelved."""

    def rank(alarm: ActiveAlarm) -> tuple[bool, bool, bool]:
        return alarm.shelved, alarm.alarm != view.first_out, not _is_trip(alarm.alarm)

    return sorted(view.alarms, key=rank)


def _is_trip(alarm: str) -> bool:
    return alarm in {trip.value for trip in Trip}


def _card(alarm: ActiveAlarm, view: StationView, raised_ms: Mapping[str, int]) -> Card:
    is_trip = _is_trip(alarm.alarm)
    known: AlarmId = Trip(alarm.alarm) if is_trip else Advisory(alarm.alarm)
    raised = raised_ms.get(alarm.alarm)
    return Card(
        id=alarm.alarm,
        heading=FAULTS[known].what.rstrip("."),
        did=FAULTS[known].did,
        raised=None if raised is None else raised // 1000,
        is_trip=is_trip,
        is_first=alarm.alarm == view.first_out and len(view.latched_trips) > 1,
        steps=[StepShown(text=step.text, act=step.act) for step in STEPS[known]],
    )
