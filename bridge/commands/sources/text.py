"""A comparison as tables, charts and notes of at most 80 columns. Core.

Numbered notes list the assumptions behind the figures, with the key that changes each.
"""

import math
import textwrap
from collections.abc import Iterator

from bridge.commands.sources.case import Case
from bridge.commands.sources.notes import Notes, ranges
from bridge.display.charts import Axis, Bar, Canvas, bars
from bridge.sourcing.cost import Figure
from bridge.sourcing.rain import Blend
from bridge.sourcing.ways import (
    Offer,
    Suitability,
    Way,
    cheapest,
    cost_per_l,
    fit,
    most_l_per_day,
    overtakings,
)

WIDTH = 80
_COLUMNS = 66
_MARKS = {
    Way.TAP: "T",
    Way.BOUGHT: "B",
    Way.DISTILLER: "D",
    Way.MEMBRANE: "M",
    Way.CARTRIDGE: "C",
    Way.MEMBRANE_AND_CARTRIDGE: "+",
    Way.RAIN: "R",
}
CAUTIONS = (
    "This compares water for plants. No ppm shows that water is safe to drink: microbes, pesticides, lead "
    "and solvents do not show in it.",
    "Distiller: it runs on the mains and its boiler is hot; set it up and descale it as its maker says, away "
    "from splashes. New sockets and wiring are work for a licensed electrician.",
    "Membrane or cartridge on the supply: backflow protection (an air gap) as the local plumbing code asks; "
    "a plumber knows it. A membrane's waste goes to a drain.",
    "Rain: roof water can carry roof treatments that no probe sees, and is not for drinking. Fit an overflow "
    "pipe and a lid; a full tank weighs a kilogram for every litre.",
    "Resin beads, and the chemicals that regenerate them, do not belong in eyes, hands or drains; follow the "
    "safety sheet that comes with them.",
)


_OWN_CAUTION = {
    Way.DISTILLER: 1,
    Way.MEMBRANE: 2,
    Way.MEMBRANE_AND_CARTRIDGE: 2,
    Way.RAIN: 3,
    Way.CARTRIDGE: 4,
}
"""The caution of each way, by its place in ``CAUTIONS``."""


def short_lines(case: Case) -> Iterator[str]:
    """Write the answer in about ten lines, and the cautions that go with it."""
    need, first = case.need, case.offers[0]
    yield f"{_short(need.litres_per_day)} L a day from a feed of {_short(need.feed_ppm)} ppm"
    yield from _choice(case)
    able = [offer for offer in fit(case.offers) if offer.enough]
    if first in able:
        yield from _wrapped(_in_short(case, first), "  ", "  ")
    if len(able) > 1:
        yield from _wrapped(f"Next: {_named(able[1])}: {_in_short(case, able[1])}", "", "  ")
    left_out = [offer for offer in case.offers if offer not in able and offer.way is not Way.TAP]
    if left_out:
        reasons = "; ".join(f"{offer.way.value} ({_why_not(offer)})" for offer in left_out)
        yield from _wrapped(f"Not here: {reasons}", "", "  ")
    yield from _wrapped(f"Caution: {CAUTIONS[0]}", "", "  ")
    own = _OWN_CAUTION.get(first.way)
    if own is not None:
        yield from _wrapped(CAUTIONS[own], "  ", "  ")
    yield "--all shows every way and size, the assumptions with their keys, all cautions."


def _choice(case: Case) -> Iterator[str]:
    first = case.offers[0]
    if first.enough and first in fit(case.offers):
        yield from _wrapped(f"First choice here: {_named(first)}.", "", "  ")
    else:
        yield "No way is fit and enough on every day here; the best one is listed first."


def _named(offer: Offer) -> str:
    if offer.units == 1:
        return offer.way.value
    each = offer.makes_l_per_day.value / offer.units
    return f"{offer.way.value}, {offer.units} of {_short(each)} L a day, or one that makes as much"


def _in_short(case: Case, offer: Offer) -> str:
    hours = offer.attended_hours_per_month.value
    parts = [
        f"{_plus_minus(offer.cost_per_l)} {case.currency} a litre",
        f"{_short(hours, 2)} h of work a month",
        f"{_plus_minus(offer.product_ppm)} ppm, {offer.suitability.value}",
    ]
    if offer.waste_l_per_l.value > 0.0:
        a_day = offer.waste_l_per_l.value * case.need.litres_per_day
        parts.append(f"{_short(a_day, 2)} L a day to the drain")
    return "; ".join(parts)


def _why_not(offer: Offer) -> str:
    if offer.suitability is Suitability.UNSUITABLE:
        return f"up to {_short(offer.product_ppm.high, 2)} ppm"
    if not offer.in_time:
        return f"{_short(offer.attended_hours_per_month.value * 12 / 365.25, 2)} h of work a day"
    if offer.makes_l_per_day.value * (1.0 + 1e-9) >= offer.need_l_per_day:
        return f"may meet only {100 * offer.days_met_low:.3g} % of the days"
    return f"makes {_short(offer.makes_l_per_day.value, 2)} L a day"


def lines(case: Case) -> Iterator[str]:
    """Write the whole comparison, line by line."""
    need, notes = case.need, Notes(case.currency, case.stated, case.remarks)
    notes.number([*_cost_figures(offer), *_effort_figures(offer)] for offer in case.offers)
    yield from _wrapped(
        f"{_short(need.litres_per_day)} L a day from a feed of {_short(need.feed_ppm)} ppm. From "
        f"{_short(need.limit_ppm)} ppm water is unfit for the plants, from {_short(need.target_ppm)} ppm it "
        f"is marginal. {_money(case)}; ± and brackets span 95 %."
    )
    yield from _choice(case)
    yield ""
    yield from _costs(case, notes)
    yield ""
    yield from _effort(case, notes)
    yield ""
    yield from _bars(case)
    yield ""
    yield from _sizes(case)
    if case.blend is not None:
        yield ""
        yield from _blend(case.blend)
    yield ""
    yield from _notes(notes)
    yield ""
    yield "Cautions"
    for caution in CAUTIONS:
        yield from _wrapped(caution, "- ", "  ")


def _money(case: Case) -> str:
    if "currency" in case.stated:
        return f"Money in {case.currency}"
    return "Money in your own currency"


def _cost_figures(offer: Offer) -> tuple[Figure, ...]:
    return offer.product_ppm, offer.cost_per_l


def _efforts(offer: Offer) -> tuple[Figure, ...]:
    return (
        offer.makes_l_per_day,
        offer.attended_hours_per_month,
        offer.journeys_per_month,
        offer.waste_l_per_l,
        offer.energy_kwh_per_l,
    )


def _effort_figures(offer: Offer) -> tuple[Figure, ...]:
    """Leave out figures shown as "none" or "any", which need no note."""
    return tuple(figure for figure in _efforts(offer) if figure.value > 0.0 and math.isfinite(figure.value))


def _costs(case: Case, notes: Notes) -> Iterator[str]:
    yield f"{'way':<24} {'ppm':<8} {'suitability':<11} {case.currency + ' a litre':<16} notes"
    for offer in case.offers:
        yield (
            f"{offer.way.value:<24} {_plus_minus(offer.product_ppm):<8} {offer.suitability.value:<11} "
            f"{_plus_minus(offer.cost_per_l):<16} {ranges(notes.of(*_cost_figures(offer)))}"
        )


def _effort(case: Case, notes: Notes) -> Iterator[str]:
    yield f"{'':<24} {'makes':>5} {'days':>5} {'hours':>6} {'journeys':>8} {'waste':>5} {'energy':>6}"
    yield f"{'way':<24} {'L/day':>5} {'met':>5} {'/month':>6} {'/month':>8} {'L/L':>5} {'kWh/L':>6}  notes"
    for offer in case.offers:
        makes, hours, journeys, waste, energy = (
            "any" if math.isinf(figure.value) else "none" if figure.value == 0.0 else _short(figure.value, 2)
            for figure in _efforts(offer)
        )
        row = (
            f"{offer.way.value:<24} {makes:>5} {100 * offer.days_met_share:>4.0f}% {hours:>6} {journeys:>8} "
            f"{waste:>5} {energy:>6}  {ranges(notes.of(*_effort_figures(offer)))}"
        )
        yield row.rstrip()


def _bars(case: Case) -> Iterator[str]:
    rows = [
        Bar(offer.way.value, offer.cost_per_l.value, offer.cost_per_l.low, offer.cost_per_l.high)
        for offer in case.offers
    ]
    yield f"Cost of a litre at {_short(case.need.litres_per_day)} L a day, |---| its 95 % interval"
    yield from bars(rows, f"{case.currency} a litre")


def _sizes(case: Case) -> Iterator[str]:
    ways = fit(case.offers)
    if not ways:
        return
    yield "The cheapest fit way by the size of the collection, within what each makes"
    for stretch in cheapest(case.offers):
        low, high = (_short(x, 2) for x in (stretch.low_l, stretch.high_l))
        span = f"over {low}" if math.isinf(stretch.high_l) else f"{low} to {high}"
        yield f"  {span:>13} L/day  {stretch.offer.way.value}{_not_every_day(stretch.offer)}"
    found = overtakings(case.offers)
    if found:
        yield ""
        yield "The sizes from which one way is cheaper than another, by the notes of both costs"
        yield f"  {'litres a day':<20} {'cheaper':<24} than"
    for one in found:
        beyond = " *" if one.beyond else ""
        yield f"  {_with_interval(one.at):<20} {one.later.way.value:<24} {one.first.way.value}{beyond}"
    if any(one.beyond for one in found):
        yield "  * that is more than one of them makes"
    yield ""
    yield from _size_chart(case, ways)


def _not_every_day(offer: Offer) -> str:
    return "" if offer.enough else f" (met on {100 * offer.days_met_share:.0f} % of the days)"


def _size_chart(case: Case, ways: list[Offer]) -> Iterator[str]:
    need_l = case.need.litres_per_day
    x_axis = Axis(need_l / 20.0, need_l * 20.0, "litres a day", logarithmic=True)
    sizes = [x_axis.value(k / (_COLUMNS - 1)) for k in range(_COLUMNS)]
    points = [
        (size, cost_per_l(offer, size), _MARKS[offer.way])
        for offer in reversed(ways)
        for size in sizes
        if size <= most_l_per_day(offer)
    ]
    high = max((cost for _, cost, _ in points), default=0.0)
    if high == 0.0:
        return
    low = max(min(cost for _, cost, _ in points), high / 1e4)
    y_axis = Axis(0.9 * low, 1.1 * high, f"{case.currency} a litre", logarithmic=True)
    canvas = Canvas(x_axis, y_axis, _COLUMNS, 16)
    for size, cost, mark in points:
        canvas.point(size, max(cost, low), mark)
    yield from canvas.lines()
    legend = [f"{_MARKS[offer.way]} {offer.way.value}" for offer in ways]
    for start in range(0, len(legend), 3):
        yield "  ".join(f"{text:<25}" for text in legend[start : start + 3]).rstrip()


def _blend(blend: Blend) -> Iterator[str]:
    yield "Tap water into a tank of rain"
    yield from _wrapped(
        f"{_short(blend.tap_l)} L of tap water may go in: a share of {_short(100 * blend.share, 2)} % of the "
        f"blend keeps its upper end under the limit; at the bare readings it would be "
        f"{_short(100 * blend.share_at_best, 2)} %. The blend then has {_short(blend.blend.ppm, 2)} "
        f"± {_short(blend.blend.expanded_ppm, 2)} ppm (k = 2). Measure it before it is used. Assumed: "
        f"{'; '.join(blend.assumed)}.",
        "  ",
        "  ",
    )


def _notes(notes: Notes) -> Iterator[str]:
    yield "Notes: what the numbers assume (the key in square brackets changes it)"
    listed = notes.all()
    for note in listed:
        key = f" [{note.key}]" if note.key else ""
        yield from _wrapped(f"{note.text}{key}", f"{note.number:>3} ", "    ")
    assumed = [note.key for note in listed if note.key and not note.stated and note.key.endswith("price")]
    if assumed:
        yield from _wrapped(
            "Prices that are not stated are usual ones in dollars, whatever your money is: "
            f"{', '.join(assumed)}."
        )


def _plus_minus(figure: Figure) -> str:
    """Format to two significant digits, with half of the 95 % interval to the same place."""
    if figure.sd == 0.0 or figure.value == 0.0:
        return _short(figure.value)
    places = _places(figure.value)
    return f"{figure.value:.{places}f} ±{figure.high - figure.value:.{places}f}"


def _with_interval(figure: Figure) -> str:
    """Format to two significant digits, with the 95 % interval to the same place."""
    places = _places(figure.value)
    return f"{figure.value:.{places}f} ({figure.low:.{places}f}-{figure.high:.{places}f})"


def _places(value: float) -> int:
    return max(1 - math.floor(math.log10(value)), 0)


def _short(value: float, digits: int = 3) -> str:
    """Format to so many significant digits, without an exponent."""
    if value == 0.0 or not math.isfinite(value):
        return f"{value:g}"
    decimals = max(digits - 1 - math.floor(math.log10(abs(value))), 0)
    text = f"{value:.{decimals}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def _wrapped(text: str, first: str = "", later: str = "") -> list[str]:
    """Wrap a text, and keep every number with its per cent sign."""
    kept = text.replace(" %", "\xa0%")
    made = textwrap.wrap(
        kept, WIDTH - 2, initial_indent=first, subsequent_indent=later, break_on_hyphens=False
    )
    return [line.replace("\xa0", " ") for line in made]
