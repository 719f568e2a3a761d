"""A comparison of sources as one JSON object. Core."""

import math
from typing import Any

from bridge.commands.sources_case import Case
from bridge.commands.sources_notes import Notes, money
from bridge.sourcing.compare import Offer
from bridge.sourcing.cost import Figure
from bridge.sourcing.sizes import cheapest, overtakings


def as_object(case: Case) -> dict[str, Any]:
    """Every figure with its 95 % interval, unit and the numbers of its notes; null stands for no bound."""
    notes = Notes(case.currency, case.stated, case.remarks)

    def figure(one: Figure) -> dict[str, Any]:
        return {
            "value": _finite(one.value),
            "low95": _finite(one.low),
            "high95": _finite(one.high),
            "unit": money(one.unit, case.currency),
            "notes": notes.of(one),
        }

    def way(offer: Offer) -> dict[str, Any]:
        return {
            "way": offer.way.value,
            "suitability": offer.suitability.value,
            "enough": offer.enough,
            "days_met_share": offer.days_met_share,
            "product": figure(offer.product_ppm),
            "cost_per_l": figure(offer.cost_per_l),
            "fixed_per_year": figure(offer.fixed_per_year),
            "running_per_l": figure(offer.per_l),
            "makes_l_per_day": figure(offer.makes_l_per_day),
            "attended_hours_per_month": figure(offer.attended_hours_per_month),
            "journeys_per_month": figure(offer.journeys_per_month),
            "waste_l_per_l": figure(offer.waste_l_per_l),
            "energy_kwh_per_l": figure(offer.energy_kwh_per_l),
        }

    made: dict[str, Any] = {
        "currency": case.currency,
        "need_l_per_day": case.need.litres_per_day,
        "feed_ppm": case.need.feed_ppm,
        "limit_ppm": case.need.limit_ppm,
        "advice_ppm": case.need.advice_ppm,
        "cartridge_treats_l": case.cartridge_l,
        "ways": [way(offer) for offer in case.offers],
        "overtakes": [
            {
                "way": one.later.way.value,
                "overtakes": one.first.way.value,
                "from_l_per_day": figure(one.at),
                "beyond_what_it_makes": one.beyond,
            }
            for one in overtakings(case.offers)
        ],
        "cheapest": [
            {
                "from_l_per_day": stretch.low_l,
                "to_l_per_day": _finite(stretch.high_l),
                "way": stretch.offer.way.value,
            }
            for stretch in cheapest(case.offers)
        ],
    }
    if case.blend is not None:
        blend = case.blend
        made["blend"] = {
            "tap_l": blend.tap_l,
            "tap_share": blend.share,
            "tap_share_at_bare_readings": blend.share_at_best,
            "blend_ppm": blend.blend.ppm,
            "blend_expanded_uncertainty_ppm": blend.blend.expanded_ppm,
            "assumed": list(blend.assumed),
        }
    made["notes"] = [
        {"number": note.number, "text": note.text, "key": note.key, "stated": note.stated}
        for note in notes.all()
    ]
    return made


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None
