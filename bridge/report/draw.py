"""Draws the charts of one reservoir. Shell: it calls matplotlib."""

from bridge.report import charts
from bridge.report.charts import Range, Words
from bridge.report.curves import Life, joined, thinned
from bridge.report.drawn import Drawn
from bridge.report.hindsight import Fate, Hindsight, Stood
from bridge.report.season import Season
from bridge.units import DisplayUnits


def draw(season: Season, units: DisplayUnits, ident: str) -> Drawn:
    """The charts of one reservoir; ``ident`` keeps their ids apart from those of others.

    :raises InputError: matplotlib is not installed.
    """
    return Drawn(
        _water(season, units, ident),
        _purity(season, units, ident),
        tuple(
            _cartridge(season, life, seen, units, f"{ident}-cartridge-{number}")
            for number, (life, seen) in enumerate(zip(season.lives, season.hindsight, strict=True), start=1)
        ),
    )


def _water(season: Season, units: DisplayUnits, ident: str) -> str:
    name = season.facts.name
    volumes = [units.litres(one.litres).number if one.covered_h else None for one in season.rows]
    known = [(one, volume) for one, volume in zip(season.rows, volumes, strict=True) if volume is not None]
    most = max(known, key=lambda pair: pair[1], default=None)
    told = f"{units.litres(season.litres).text} in all."
    if most is not None:
        told += f" The most in {most[0].period.label}: {units.litres(most[0].litres).text}."
    words = Words(f"{ident}-water", f"{name}: water made by {season.grain.value}", told)
    return charts.water(words, [one.period.label for one in season.rows], volumes, units.litres(0.0).unit)


def _purity(season: Season, units: DisplayUnits, ident: str) -> str:
    facts, whole = season.facts, season.quality
    if whole is None:
        return ""

    def shown(ppm: float) -> float:
        return units.ppm(ppm, facts.factor).number

    told = (
        f"Median {units.ppm(whole.median_ppm, facts.factor).text}, 95 % at or under "
        f"{units.ppm(whole.p95_ppm, facts.factor).text}, worst minute "
        f"{units.ppm(whole.worst_ppm, facts.factor).text}; the limit is "
        f"{units.ppm(facts.limit_ppm, facts.factor).text}."
    )
    words = Words(f"{ident}-purity", f"{facts.name}: product by {season.grain.value}", told)
    found = [one.quality for one in season.rows]
    return charts.purity(
        words,
        [one.period.label for one in season.rows],
        [None if one is None else shown(one.median_ppm) for one in found],
        [None if one is None else shown(one.p95_ppm) for one in found],
        [None if one is None else shown(one.worst_ppm) for one in found],
        shown(facts.advice_ppm),
        shown(facts.limit_ppm),
        units.ppm(0.0, facts.factor).unit,
    )


def _cartridge(season: Season, life: Life, seen: Hindsight, units: DisplayUnits, ident: str) -> str:
    facts = season.facts
    curve = [
        (units.litres(one.treated_l).number, units.ppm(one.product_ppm, facts.factor).number)
        for one in thinned(joined(life))
    ]
    if not curve:
        return ""
    outcome = seen.outcome
    end = None
    if outcome.fate is not Fate.RUNNING:
        at = units.litres(outcome.treated_l)
        end = (at.number, f"{outcome.fate.value} at {at.text}")
    told = f"{len(curve)} values from {curve[0][0]:.0f} to {curve[-1][0]:.0f} {units.litres(0.0).unit}; "
    told += "it is still in." if end is None else f"it {end[1]}."
    number = ident.rpartition("-")[2]
    words = Words(ident, f"{facts.name}: product and forecasts of cartridge {number}", told)
    return charts.cartridge(
        words,
        curve,
        [_range(one, units) for one in seen.stood],
        end,
        units.ppm(facts.limit_ppm, facts.factor).number,
        units.litres(0.0).unit,
        units.ppm(0.0, facts.factor).unit,
    )


def _range(one: Stood, units: DisplayUnits) -> Range:
    at = one.crossing_l
    values = (one.treated_l, at.median, at.low80, at.high80, at.low95, at.high95)
    return Range(*(units.litres(value).number for value in values))
