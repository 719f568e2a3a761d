"""From a reservoir's view to the facts that people see, with the reasons in sentences. Core.

The tables put the guard's closed sets into words. The guard's ids are shown unchanged beside these words.
"""

import math

from bridge.display import (
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
from bridge.estimate.reservoir import Basis
from bridge.estimate.verdict import ProductLine
from bridge.guard.alarms import Status
from bridge.guard.faults import FAULTS
from bridge.guard.model import Advisory, AlarmId, Flow, Permissive, Phase, Trip
from bridge.guard.rules import RULES
from bridge.station.view import ActiveAlarm, StationView
from bridge.tank.daily_use import HORIZON_DAYS
from bridge.units import MOST_PLACES, DisplayUnits, Quantity
from bridge.water.health import Health

PERMISSIVE_LABELS: dict[Permissive, str] = {
    Permissive.LINK_FRESH: "Fresh frames from the controller",
    Permissive.PROBE_HEALTHY: "The product probe can be trusted",
    Permissive.PRODUCT_IN_SPEC: "Product under its limit, or a short rinse",
    Permissive.TEMPERATURE_IN_RANGE: "Water neither too cold nor too hot",
    Permissive.LEVEL_KNOWN: "The level is known",
    Permissive.BELOW_FILL_MARK: "The level is below the fill mark",
    Permissive.OVERFLOW_DOWN: "The overflow float is down",
    Permissive.RESERVOIR_BUDGET: "The reservoir stays under its limit",
    Permissive.FILL_TIME: "Time left for this fill",
    Permissive.FILL_VOLUME: "Volume left for this fill and for the day",
    Permissive.CONTROLLER_SOUND: "The controller reports no fault",
    Permissive.NO_TRIP: "No trip is latched",
    Permissive.NO_HOLD: "Filling is not on hold",
    Permissive.PAUSE_OVER: "The pause after an interruption is over",
}
"""The condition of each permissive."""

PERMISSIVE_MISSING: dict[Permissive, str] = {
    Permissive.LINK_FRESH: "no fresh frames from the controller",
    Permissive.PROBE_HEALTHY: "the product probe cannot be trusted",
    Permissive.PRODUCT_IN_SPEC: "the product is over its limit",
    Permissive.TEMPERATURE_IN_RANGE: "the water is too cold or too hot, or its temperature is not known",
    Permissive.LEVEL_KNOWN: "the level is not known",
    Permissive.BELOW_FILL_MARK: "the reservoir is full",
    Permissive.OVERFLOW_DOWN: "the overflow float is up or not known",
    Permissive.RESERVOIR_BUDGET: "the reservoir would not stay under its limit",
    Permissive.FILL_TIME: "the time for this fill is used up",
    Permissive.FILL_VOLUME: "the volume for this fill or for the day is used up",
    Permissive.CONTROLLER_SOUND: "the controller reports a fault",
    Permissive.NO_TRIP: "a trip is latched",
    Permissive.NO_HOLD: "filling is on hold",
    Permissive.PAUSE_OVER: "the pause after an interruption is not over",
}
"""A clause for each permissive that does not hold."""

PHASE_WORDS: dict[Phase, str] = {
    Phase.IDLE: "idle",
    Phase.RINSE: "rinsing",
    Phase.FILL: "filling",
    Phase.PAUSE: "interrupted",
    Phase.TRIPPED: "tripped",
}

STATUS_WORDS: dict[Status, str] = {
    Status.NORMAL: "normal",
    Status.UNACKNOWLEDGED: "not yet acknowledged",
    Status.ACKNOWLEDGED: "acknowledged",
    Status.CLEARED_UNACKNOWLEDGED: "cleared, not yet acknowledged",
    Status.LATCHED_UNACKNOWLEDGED: "latched, not yet acknowledged",
    Status.LATCHED_ACKNOWLEDGED: "latched, acknowledged, waiting for its reset",
}

ANSWERS = {
    "suitable": ("Yes", "This water may be used."),
    "marginal": ("Yes, with care", "This water may be above the target."),
    "unsuitable": ("No", "Do not use this water."),
    "unknown": ("Not known", "There is no measurement of this water."),
}
"""The answer to "may this water be used on the plants?" by verdict: in a word or two, and as a sentence."""

STATE_WORDS = {
    "flowing": "flowing, under its limit",
    "standing": "standing in the purifier, not judged",
    "over-limit": "over its limit",
    "failed": "no sound measurement",
}
"""The state of the product in words."""


def use_of(view: StationView, units: DisplayUnits) -> Use:
    """Return whether the water of the reservoir may be used, with the reason.

    Args:
        view: the reservoir's state.
        units: the units of the quantities.
    """
    identity, verdict = view.identity, view.reservoir_verdict
    word, advice = ANSWERS[verdict]
    held_ppm = view.reservoir_ppm
    if held_ppm is None or not math.isfinite(held_ppm):
        reason = "Nothing is known about the water of the reservoir."
    else:
        limit, target = (
            as_set(units.ppm(ppm, identity.factor)) for ppm in (identity.limit_ppm, identity.target_ppm)
        )
        against = {
            "suitable": f"under the target of {target}",
            "marginal": f"under the limit of {limit}, but not certainly under the target of {target}",
            "unsuitable": f"not under the limit of {limit}",
            "unknown": f"not certainly under the limit of {limit}",
        }[verdict]
        if verdict == "unknown":
            advice = "Measure this water, and enter the sample."
        held = _held(view, held_ppm, units)
        reason = f"The reservoir holds {held} {basis_words(view)}; with its uncertainty this is {against}."
    if view.reservoir_basis == Basis.ASSUMED.value:
        reason += " Nobody has measured this water yet."
        if verdict in ("suitable", "marginal"):
            word = f"Assumed: {word[:1].lower()}{word[1:]}"
            advice = "Measure this water, and enter the sample."
    if view.phase == Phase.TRIPPED.value and view.first_out is not None:
        reason += f" The valve is shut by a trip: {FAULTS[Trip(view.first_out)].what}"
    if view.product_state == ProductLine.STANDING.value:
        reason += " Water that stands in the purifier is not judged."
    return Use(verdict, word, advice, reason, view.reservoir_basis, _percent(view))


def basis_words(view: StationView) -> str:
    """Return the evidence for the concentration of the reservoir."""
    if view.reservoir_basis == Basis.ASSUMED.value:
        return "by assumption"
    if view.reservoir_basis == Basis.SAMPLE.value and view.reservoir_sampled:
        return f"by the sample of {view.reservoir_sampled[:10]}"
    return "by a sample" if view.reservoir_basis == Basis.SAMPLE.value else "by what flowed in and out"


def _percent(view: StationView) -> str | None:
    probability = _known(view.reservoir_over_limit_probability)
    if probability is None:
        return None
    if probability < 0.01:
        return "under 1 %"
    return "over 99 %" if probability > 0.99 else f"{100.0 * probability:.0f} %"


def why_of(view: StationView) -> str:
    """Return why the valve is open or shut, as sentences."""
    decided, missing = view.valve_decided, view.missing_permissives
    if decided == Flow.TO_DRAIN.value:
        why = "Open to the drain: the purifier is rinsed before the fill."
    elif decided == Flow.TO_RESERVOIR.value and view.phase == Phase.RINSE.value:
        why = "Open: a short rinse is running, and every permissive holds."
    elif decided == Flow.TO_RESERVOIR.value:
        why = "Open: the reservoir is filling, and every permissive holds."
    elif view.phase == Phase.TRIPPED.value and view.first_out is not None:
        why = f"Shut by a trip: {FAULTS[Trip(view.first_out)].what}"
    elif missing:
        clauses = [PERMISSIVE_MISSING[Permissive(one)] for one in missing]
        # Without a link nobody knows whether the valve has followed.
        state = "Shut" if view.link_up else "Not opened by the bridge"
        begins = f"{state}, and a fill is pending" if view.phase == Phase.PAUSE.value else state
        why = f"{begins}: {'; '.join(clauses)}."
    elif view.phase == Phase.IDLE.value:
        why = "Shut: no fill is due, and every permissive holds."
    else:
        why = "Shut: the fill continues in a moment."
    if view.valve_reported not in ("unknown", decided):
        why += f" The controller still reports it {_REPORTED[view.valve_reported]}."
    return why


_REPORTED = {"shut": "shut", "fill": "open to the reservoir", "drain": "open to the drain"}


def as_set(quantity: Quantity) -> str:
    """Format a quantity from the configuration, such as a limit, without the decimals of a measurement."""
    number = abs(quantity.number)
    places = 2 if number < 9.995 else 1 if number < 99.95 else 0
    return f"{round(quantity.number, places):g} {quantity.unit}"


def _held(view: StationView, ppm: float, units: DisplayUnits) -> str:
    """Return the water of the reservoir with its uncertainty; far below the target, only a bound."""
    plain = plain_ppm(view, ppm, view.reservoir_uncertainty_ppm, units)
    assert plain is not None, "the value is finite"
    if plain.startswith("under "):
        return plain
    _, band = units.measured(ppm, view.reservoir_uncertainty_ppm, view.identity.factor)
    return f"{plain} ± {'not known' if band is None else band.text}"


FAR_BELOW = 0.1
"""Below this share of the target the exact figure does not matter to a plant."""


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
        use=use_of(view, units),
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
        state=view.product_state,
        state_words=STATE_WORDS[view.product_state],
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
        plain=plain_ppm(view, ppm, view.product_uncertainty_ppm, units),
    )


def _feed(view: StationView, units: DisplayUnits) -> Feed:
    return Feed(_ppm(view, view.feed_ppm, units), _celsius(view.feed_temperature_c, units), view.feed_health)


def _reservoir(view: StationView, units: DisplayUnits) -> Reservoir:
    fraction, cover = _known(view.level_fraction), _known(view.cover_days)
    ppm, band = _known(view.reservoir_ppm), None
    if ppm is not None:
        _, band = units.measured(ppm, view.reservoir_uncertainty_ppm, view.identity.factor)
    return Reservoir(
        volume=_litres(view.volume_l, units),
        capacity=as_set(units.litres(view.identity.capacity_l)),
        fraction=None if fraction is None else round(fraction, 4),
        zone=view.zone,
        ppm=_ppm(view, ppm, units),
        uncertainty=None if band is None else f"± {band.text}",
        basis_words=basis_words(view),
        cover=span(view.cover_low_days, view.cover_high_days),
        cover_days=None if cover is None else round(cover, 2),
        overflow=view.overflow,
        plain=plain_ppm(view, ppm, view.reservoir_uncertainty_ppm, units),
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
