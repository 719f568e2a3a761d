"""The first page of the report: the answers for the next season, before any chart or table. Core.

Water made, water for the plants, days without enough of it, cost, the day of the next order, and changes that
the log of the season suggests.
"""

from collections.abc import Iterator

from bridge.display.from_view import FAR_BELOW
from bridge.guard.faults import FAULTS
from bridge.guard.model import Advisory, Trip
from bridge.history.rollup import DAY_MS, HOUR_MS
from bridge.report.backtest import Backtest, Status
from bridge.report.incidents import tallies
from bridge.report.markup import figure, lasting, listed, moment, quantity, text
from bridge.report.season import Given, Season
from bridge.units import DisplayUnits

_MUCH_OVER_TARGET = 0.1
_MUCH_LOST = 0.05
_OFTEN = 2


def answer(season: Season, units: DisplayUnits) -> str:
    """Return the first page of a reservoir's report."""
    facts = [
        ("Water made", _made(season, units)),
        ("What the plants got", _given(season, units)),
        ("Days nearly empty", _without_water(season, units)),
        ("Cost", _cost(season, units)),
        ("Next order", _order(season, units)),
    ]
    if season.given is not None:
        facts.insert(2, ("Litres given to trays", _trays(season.given, units)))
    rows = "".join(f"<div><dt>{text(name)}</dt><dd>{said}</dd></div>\n" for name, said in facts)
    changes = list(changes_of(season)) or ["Nothing: the log of this season suggests no change."]
    return (
        f'<dl class="answers">\n{rows}</dl>\n<h3>What to change for the next season</h3>\n'
        f"{listed(map(text, changes))}"
    )


def short_ppm(name: str, ppm: float, season: Season, units: DisplayUnits) -> str:
    """Return dissolved solids to the resolution that matters: far below the target, only a bound."""
    facts = season.facts
    shown = units.ppm(ppm, facts.factor)
    bound = FAR_BELOW * facts.target_ppm
    if ppm < bound:
        return figure(name, shown.number, f"under {units.ppm_as(bound, facts.factor, '.3g')}")
    return figure(name, shown.number, units.ppm_as(ppm, facts.factor, ".2g"))


def _made(season: Season, units: DisplayUnits) -> str:
    made = quantity("made", units.litres(season.litres))
    if season.covered_h <= 0.0:
        return f"{made}; the log has no readings"
    a_day = quantity("made-a-day", units.litres(season.litres / season.covered_h * 24.0))
    fills = figure("fills", len(season.fills), str(len(season.fills)))
    return f"{made}, {a_day} a day on average, in {fills} fills"


def _given(season: Season, units: DisplayUnits) -> str:
    held = season.reservoir_ppm
    if held is None:
        quality = season.quality
        if quality is None:
            return "not known: the log shows neither the reservoir nor a flow"
        product = short_ppm("given", quality.median_ppm, season, units)
        return f"the reservoir is not in the log; the purifier's water was {product} (median)"
    median = short_ppm("given", held.median_ppm, season, units)
    highest = short_ppm("given-highest", held.highest_ppm, season, units)
    target = units.ppm_as(season.facts.target_ppm, season.facts.factor, ".3g")
    return f"{median} in half of all hours, at most {highest}; the target is under {target}"


def _trays(given: Given, units: DisplayUnits) -> str:
    compared = given.compared
    left = quantity("left", units.litres(compared.left_l))
    entered = quantity("entered", units.litres(compared.given_l))
    since = moment(units, given.since_ms, day=True)
    found = f"{left} left the reservoir since {since}, and {entered} were entered"
    if not compared.is_missing:
        return f"{found}, which agree"
    missing = quantity("missing", units.litres(compared.missing_l))
    return f"{found}; {missing} are missing: spilt, not entered, or a leak"


def _without_water(season: Season, units: DisplayUnits) -> str:
    days: set[str] = set()
    for one in season.incidents:
        if one.alarm is Advisory.RESERVOIR_LOW:
            at_ms = one.raised_ms or season.start_ms
            while at_ms < (one.ended_ms or season.end_ms):
                days.add(f"{units.local(at_ms / 1000.0):%Y-%m-%d}")
                at_ms += DAY_MS // 4
    shown = figure("days-low", len(days), str(len(days)) if days else "none")
    return f"{shown}, by the alarm reservoir-low" if days else shown


def _cost(season: Season, units: DisplayUnits) -> str:
    fitted = season.facts.cartridge
    if fitted is None or fitted.price is None:
        return "not known: no price of a cartridge is configured"
    changed = sum(one.changed is not None for one in season.cartridges)
    if not changed:
        spent = figure("spent", 0.0, "nothing")
        return f"{spent}: no cartridge was changed; one costs {text(units.money(fitted.price))}"
    spent = figure("spent", changed * fitted.price, units.money(changed * fitted.price))
    spending = f"{spent} for {changed} cartridge{'' if changed == 1 else 's'} changed"
    finished = season.costs.finished
    if finished is None:
        return f"{spending}; no cartridge was finished, so a cost for each litre is not known yet"
    return f"{spending}; {text(units.per_volume(finished.per_l))} from the finished ones"


def _order(season: Season, units: DisplayUnits) -> str:
    fitted = season.facts.cartridge
    if fitted is None:
        return "not known: no cartridge is configured"
    running = [one for one in season.backtests if one.outcome.status is Status.IN_USE]
    last = running[-1].forecasts[-1] if running and running[-1].forecasts else None
    if last is None or last.days_left is None:
        return "not known: the log has no forecast of the cartridge in use"
    early, late = (moment(units, last.at_ms + round(DAY_MS * days), day=True) for days in _ends(running[-1]))
    end = f"exhausted between {early} and {late} in 8 of 10 such cases"
    due_ms = last.at_ms + round(DAY_MS * (last.days_left.low80 - fitted.lead_days))
    if last.order or due_ms <= season.end_ms:
        takes = f"a new one takes {fitted.lead_days:g} days"
        return f"<strong>now</strong>: the cartridge in use is {end}, and {takes}"
    return f"by {moment(units, due_ms, day=True)}: the cartridge in use is {end}"


def _ends(running: Backtest) -> tuple[float, float]:
    left = running.forecasts[-1].days_left
    assert left is not None
    # A date in a hundred years helps nobody, and the calendar ends somewhere.
    return min(left.low80, 3650.0), min(left.high80, 3650.0)


def changes_of(season: Season) -> Iterator[str]:
    """Yield what the log suggests to change, the most urgent first, as sentences."""
    facts = season.facts
    for one in tallies(season.incidents, season.start_ms, season.end_ms):
        if isinstance(one.alarm, Trip) and one.count:
            times = "once" if one.count == 1 else f"{one.count} times"
            yield f"The trip {one.alarm.value} came {times}. {FAULTS[one.alarm].next}"
    held = season.reservoir_ppm
    if held is not None and held.highest_ppm >= facts.limit_ppm:
        yield (
            "The reservoir was over its limit. Change the cartridge earlier, and add a drain valve for the "
            "rinse."
        )
    quality = season.quality
    if quality is not None and quality.target_h > _MUCH_OVER_TARGET * quality.hours > 0.0:
        yield (
            "The product was over its target for more than a tenth of the time. Change the cartridge earlier."
        )
    late = sum(one.outcome.status is Status.EXHAUSTED for one in season.backtests)
    if late >= _OFTEN:
        yield f"{late} cartridges were used until they were exhausted. Keep the next one at hand."
    lost_h = sum(one.hours for one in season.gaps)
    span_h = (season.end_ms - season.start_ms) / HOUR_MS
    if lost_h > _MUCH_LOST * span_h:
        yield (
            f"The log has no readings for {lasting(lost_h * HOUR_MS)}. Let the daemon start with the "
            "machine, and check its power supply."
        )
    if not season.calibrations and not season.calibrations_before and not facts.in_force:
        yield "The product cell was never calibrated. Calibrate it before the season begins."
    if not season.samples:
        yield "No sample was taken by hand. Measure the reservoir with a hand meter every month."
    if facts.cartridge is not None and facts.cartridge.price is None:
        yield "Enter the price of a cartridge in the configuration, so that the next report shows the cost."
