"""From a reservoir's view to the facts that people see. Core."""

import math

from bridge.display.facts import (
    AlarmFact,
    Facts,
    Feed,
    Fill,
    FirstOut,
    PermissiveFact,
    Product,
    Purifier,
    Reservoir,
    TripFact,
    Use,
    Valve,
)
from bridge.display.reasons import (
    PERMISSIVE_LABELS,
    PHASE_WORDS,
    STATUS_WORDS,
    as_set,
    use_of,
    why_of,
)
from bridge.guard.alarms import Status
from bridge.guard.faults import FAULTS
from bridge.guard.model import Advisory, AlarmId, Phase, Trip
from bridge.guard.rules import RULES
from bridge.station.view import ActiveAlarm, StationView
from bridge.tank.cover import HORIZON_DAYS
from bridge.units import MOST_PLACES, DisplayUnits
from bridge.water.health import Health


def facts_of(view: StationView, units: DisplayUnits, time: str) -> Facts:
    """Make the facts of a reservoir.

    Args:
        view: the reservoir's state.
        units: the units of the quantities.
        time: the time of the view, formatted, such as ``14:05:09``.
    """
    identity = view.identity
    return Facts(
        id=identity.reservoir,
        name=identity.name,
        time=time,
        link=view.link_up,
        use=Use(*use_of(view, units)),
        product=_product(view, units),
        feed=_feed(view, units) if identity.has_feed_probe else None,
        reservoir=_reservoir(view, units),
        purifier=_purifier(view, units),
        valve=_valve(view),
        fill=Fill(
            _litres(view.fill_volume_l, units),
            int(view.fill_elapsed_s // 60.0),
            _litres(view.volume_today_l, units),
        ),
        alarms=tuple([_alarm(alarm) for alarm in view.alarms]),
        hold=view.hold,
        controller=view.controller,
    )


def span(low_days: float | None, high_days: float | None) -> str | None:
    """Format an interval of days, such as ``4 to 9 days``. Returns None if an end is not known."""
    if low_days is None or high_days is None or math.isnan(low_days) or math.isnan(high_days):
        return None
    if low_days >= HORIZON_DAYS:
        return f"more than {HORIZON_DAYS} days"
    places = 1 if low_days < 3.0 else 0
    low = f"{max(low_days, 0.0):.{places}f}"
    if high_days >= HORIZON_DAYS:
        return f"{low} days or more"
    high = f"{max(high_days, 0.0):.{1 if high_days < 3.0 else 0}f}"
    return f"{low} days" if low == high else f"{low} to {high} days"


def _within_horizon(days: float | None) -> float | None:
    known = _known(days)
    return None if known is None or known >= HORIZON_DAYS else round(max(known, 0.0), 2)


def _known(value: float | None) -> float | None:
    return value if value is not None and math.isfinite(value) else None


def _ppm(view: StationView, ppm: float | None, units: DisplayUnits) -> str | None:
    return None if _known(ppm) is None or ppm is None else units.ppm(ppm, view.identity.factor).text


def _litres(volume_l: float | None, units: DisplayUnits) -> str | None:
    return None if _known(volume_l) is None or volume_l is None else units.litres(volume_l).text


def _celsius(temperature_c: float | None, units: DisplayUnits) -> str | None:
    if temperature_c is None or not math.isfinite(temperature_c):
        return None
    return units.celsius(temperature_c).text


# --- quantities -----------------------------------------------------------------------------------


def _product(view: StationView, units: DisplayUnits) -> Product:
    factor, ppm = view.identity.factor, _known(view.product_ppm)
    if view.product_health == Health.FAILURE.word:
        # A dry cell reads like very pure water, so a failed probe has no figure.
        ppm = None
    shown = band = None
    limit, target = units.ppm(view.identity.limit_ppm, factor), units.ppm(view.identity.target_ppm, factor)
    if ppm is not None:
        shown, band = units.measured(ppm, view.product_uncertainty_ppm, factor)
    return Product(
        text=None if shown is None else shown.text,
        number=None if shown is None else round(shown.number, MOST_PLACES),
        uncertainty=None if band is None else f"± {band.text}",
        uncertainty_number=None if band is None else round(band.number, MOST_PLACES),
        unit=units.solids.value,
        scale=units.scale(factor),
        limit=as_set(limit),
        limit_number=round(limit.number, MOST_PLACES),
        target=as_set(target),
        target_number=round(target.number, MOST_PLACES),
        temperature=_celsius(view.product_temperature_c, units),
        health=view.product_health,
    )


def _feed(view: StationView, units: DisplayUnits) -> Feed:
    return Feed(_ppm(view, view.feed_ppm, units), _celsius(view.feed_temperature_c, units), view.feed_health)


def _reservoir(view: StationView, units: DisplayUnits) -> Reservoir:
    fraction, cover = _known(view.level_fraction), _known(view.cover_days)
    return Reservoir(
        volume=_litres(view.volume_l, units),
        capacity=as_set(units.litres(view.identity.capacity_l)),
        fraction=None if fraction is None else round(fraction, 4),
        zone=view.zone,
        ppm=_ppm(view, view.reservoir_ppm, units),
        cover=span(view.cover_low_days, view.cover_high_days),
        cover_days=None if cover is None else round(cover, 2),
        overflow=view.overflow,
    )


def _purifier(view: StationView, units: DisplayUnits) -> Purifier:
    load, rejection, median = (
        _known(view.purifier_load_g),
        _known(view.rejection_percent),
        _known(view.days_left),
    )
    return Purifier(
        days=span(view.days_left_low, view.days_left_high),
        days_low=_within_horizon(view.days_left_low),
        days_median=None if median is None else round(median, 2),
        days_high=_within_horizon(view.days_left_high),
        litres=_litres(view.litres_left, units),
        order_now=view.order_now,
        treated=_litres(view.purifier_treated_l, units),
        load=None if load is None else f"{load:.{1 if load < 9.95 else 0}f} g",
        rejection=None if rejection is None else f"{rejection:.1f} %",
    )


# --- the valve ------------------------------------------------------------------------------------


def _valve(view: StationView) -> Valve:
    missing = frozenset(view.missing_permissives)
    return Valve(
        state=view.valve_reported,
        decided=view.valve_decided,
        phase=view.phase,
        phase_words=PHASE_WORDS[Phase(view.phase)],
        why=why_of(view),
        permissives=tuple(
            [PermissiveFact(one.value, label, one.value not in missing) for one, label in _LABELS]
        ),
        first_out=None if view.first_out is None else FirstOut(view.first_out, _sentence(view.first_out)),
        trips=tuple(
            [
                TripFact(trip, _sentence(trip), f"Needs {RULES[Trip(trip)].needs.value}.")
                for trip in view.latched_trips
            ]
        ),
    )


_LABELS = tuple(PERMISSIVE_LABELS.items())


_TRIPS = frozenset(trip.value for trip in Trip)


def _sentence(trip: str) -> str:
    return FAULTS[Trip(trip)].sentence


def _alarm(alarm: ActiveAlarm) -> AlarmFact:
    is_trip = alarm.alarm in _TRIPS
    known: AlarmId = Trip(alarm.alarm) if is_trip else Advisory(alarm.alarm)
    return AlarmFact(
        alarm.alarm,
        alarm.state,
        STATUS_WORDS[Status(alarm.state)],
        alarm.sentence or FAULTS[known].sentence,
        alarm.shelved,
        is_trip,
    )
