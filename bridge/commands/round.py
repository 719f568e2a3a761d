"""``clearwell round`` and ``away``: what the trays need today or during an absence, and what was done."""

import json
import time
from datetime import date, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

import click

from bridge.commands.shared.configuration import usual_config
from bridge.commands.shared.terminal import print_text
from bridge.commands.shared.values import in_litres, typed_values
from bridge.errors import InputError

if TYPE_CHECKING:
    from bridge.config.plan import BridgePlan
    from bridge.history.records import EntryRow, Stamp
    from bridge.trays.outlook import Days
    from bridge.trays.seasons import Absence
    from bridge.trays.tray import TrayPlan
    from bridge.watering.gather import Entered, Found


CONFIG = click.option(
    "--config",
    type=click.Path(path_type=Path),
    help="The configuration.  [default: the service's, or clearwell.toml here]",
)


def _plan_and_log(config: Path) -> "tuple[BridgePlan, Path]":
    from bridge.commands.shared.configuration import configuration_in_use, log_path
    from bridge.watering.gather import trays_of

    plan = configuration_in_use(config).plan
    trays_of(plan)
    return plan, log_path(config)


def today_of(plan: "BridgePlan", text: str | None) -> date:
    """Return the day that a person typed, or the present one in the zone of the garden."""
    from bridge.watering.weather import day_of, zone_of

    if text is None:
        return day_of(int(time.time() * 1000), zone_of(plan))
    return date_of("--date", text)


def date_of(option: str, text: str) -> date:
    """Return the date that a person typed.

    Raises:
        InputError: It is not a date.
    """
    try:
        return date.fromisoformat(text.strip())
    except ValueError:
        raise InputError(f"{option} {text!r} is not a date; write it as 2026-07-01") from None


@click.command("round")
@CONFIG
@click.option(
    "--date", "day", metavar="D", help="The day of the round, such as 2026-07-01.  [default: today]"
)
@click.option("--done", metavar="TRAY", help="Enter that this tray got what the list says.")
@click.option(
    "--litres",
    type=in_litres(),
    metavar="L",
    help="With --done: so many litres filled it to its mark, or were used for its flush.",
)
@click.option("--flushed", is_flag=True, help="With --done: its flush was done.")
@click.option(
    "--checklist", type=click.Choice(["put-to-bed", "wake-up"]), help="Show a checklist of the year."
)
@click.option("--finished", is_flag=True, help="With --checklist: enter that it was finished.")
@click.option(
    "--blend", "rain", metavar="RAIN", help="How much of this rain tank may be blended; with --into."
)
@click.option("--into", metavar="ID", help="With --blend: the reservoir. With --litres the blend is entered.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
@typed_values()
def round_(
    config: Path | None,
    day: str | None,
    done: str | None,
    litres: float | None,
    flushed: bool,
    checklist: str | None,
    finished: bool,
    rain: str | None,
    into: str | None,
    as_json: bool,
) -> None:
    """List what each tray needs today: litres, flush, sample, in the order of the benches.

    The estimate of a tray rests on its entries, its samples and the weather. --done TRAY enters the litres of
    the list as poured in. --done TRAY --litres L enters that so many litres filled it to its mark, from which
    the tray's use is learned. --done TRAY --flushed enters its flush.

    Measure a tray with 'clearwell sample --of tray.ID'. No reading shows that water is safe to drink.
    """
    from bridge.watering import gather

    if checklist is not None:
        _checklist(usual_config(config, "round"), checklist, finished, as_json)
        return
    if (rain is None) != (into is None):
        raise click.UsageError("--blend and --into belong together: a rain tank, and the reservoir.")
    if rain is not None and into is not None:
        _blend(usual_config(config, "round"), rain, into, litres, day, as_json)
        return
    if done is None and (litres is not None or flushed):
        raise click.UsageError("--litres and --flushed belong to --done; give the tray with it.")
    if finished:
        raise click.UsageError("--finished belongs to --checklist.")
    plan, path = _plan_and_log(usual_config(config, "round"))
    found = gather.gather(plan, path, today_of(plan, day))
    if done is not None:
        entered = gather.enter(plan, found, done.removeprefix("tray."), litres=litres, flushed=flushed)
        made = {"tray": entered.tray, "what": entered.what.value, "litres": entered.litres}
        click.echo(json.dumps(made) if as_json else _entered_line(entered, plan))
        return
    if as_json:
        click.echo(json.dumps(gather.values(found), indent=1))
        return
    print_text(gather.in_words(found, plan.display))


def _blend(config: Path, rain: str, into: str, litres: float | None, day: str | None, as_json: bool) -> None:
    from bridge.commands.shared.configuration import configuration_in_use, log_path
    from bridge.trays.seasons import ROOF_CAUTION
    from bridge.watering.waters import blend, enter_blend

    plan, path = configuration_in_use(config).plan, log_path(config)
    found = blend(plan, path, rain, into, today_of(plan, day))
    made = found.made
    if litres is not None:
        if litres > found.rain.litres * 1.1:
            raise InputError(
                f"--litres {litres:g}: {rain} has about {found.rain.litres:.0f} L; count it and enter the "
                f"count with clearwell sample --of {rain} --left"
            )
        enter_blend(path, rain, into, litres)
    if as_json:
        values = {"rain_l": round(made.rain_l, 1), "ppm": made.ppm, "upper_ppm": made.upper_ppm}
        click.echo(json.dumps({**values, "saved_l": round(made.saved_l, 1), "entered_l": litres}))
        return
    if litres is not None:
        print_text(f"Entered: {plan.display.litres_as(litres, '.1f')} of {rain} blended into {into}.")
        return
    most = plan.display.litres_as(made.rain_l, ".1f")
    print_text(f"Up to {most} of {rain} ({found.rain.ppm:.3g} ppm) may go into {into}.")
    print_text(
        f"It then has about {made.ppm:.3g} ppm, at most {made.upper_ppm:.3g} ppm (k = 2); the target is "
        f"{found.target_ppm:g} ppm."
    )
    saves = f" and {made.saved_g:.3g} g of its load" if found.is_feed_known else ""
    print_text(f"It saves the purifier {plan.display.litres_as(made.saved_l, '.1f')} of product{saves}.")
    if not found.is_rise_expected:
        print_text(
            f"Give rain_ppm in [reservoir.{into}] first: without it the guard takes the rise for a valve "
            "that leaks, and trips."
        )
    print_text(f"When it is done: clearwell round --blend {rain} --into {into} --litres L.")
    print_text(ROOF_CAUTION)


def _entered_line(entered: "Entered", plan: "BridgePlan") -> str:
    litres = plan.display.litres_as(entered.litres, ".1f")
    words = {
        "given": f"{litres} poured into {entered.tray}",
        "filled": f"{entered.tray} filled to its mark with {litres}",
        "flushed": f"{litres} poured through {entered.tray}",
        "exchanged": f"{litres} exchanged in {entered.tray}",
    }
    return f"Entered for {entered.day}: {words[entered.what.value]}."


def _checklist(config: Path, word: str, finished: bool, as_json: bool) -> None:
    from bridge.commands.shared.configuration import log_path
    from bridge.history.records import EventRow
    from bridge.history.writer import add
    from bridge.trays.seasons import CHECKLISTS, Checklist, checklist_sentence

    which = Checklist(word)
    if finished:
        sentence = checklist_sentence(which)
        path = log_path(config)
        add(path, lambda stamp: EventRow(stamp, "", which.value, sentence))
    if as_json:
        click.echo(json.dumps({"checklist": word, "items": CHECKLISTS[which], "entered": finished}))
        return
    if finished:
        print_text(f"Entered: {sentence}")
        return
    for number, line in enumerate(CHECKLISTS[which], start=1):
        print_text(f"{number}. {line}")
    print_text("When all of it is done: give --finished too, and it is entered into the log.")


@click.command("away")
@click.argument("first", metavar="FROM")
@click.argument("last", metavar="TO")
@CONFIG
@click.option("--cancel", is_flag=True, help="Take an absence back that was entered.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
def away(first: str, last: str, config: Path | None, cancel: bool, as_json: bool) -> None:
    """Enter an absence from the day FROM to the day TO, and see what becomes of the trays.

    From two days before it a running bridge fills the reservoirs to their higher mark, and refills them
    earlier. The alarm about short water comes earlier too. The last round before it fills the trays towards
    their rims. For an absence that has ended the command reports what happened instead.
    """
    from bridge.commands.shared.configuration import configuration_in_use, log_path, passed_on
    from bridge.history.records import EventRow
    from bridge.history.writer import add
    from bridge.trays.seasons import AWAY, AWAY_CANCELLED, Absence
    from bridge.watering.absence import absences_in

    config = usual_config(config, "away")
    plan, path = configuration_in_use(config).plan, log_path(config)
    absence = Absence(date_of("FROM", first), date_of("TO", last))
    known = absences_in(path)

    def event(stamp: "Stamp") -> "EntryRow":
        if cancel:
            return EventRow(stamp, "", AWAY_CANCELLED, absence.cancelled())
        return EventRow(stamp, "", AWAY, absence.sentence())

    if cancel:
        if absence not in known:
            entered = ", ".join(f"{one.first} to {one.last}" for one in known) or "none"
            raise InputError(f"away --cancel: this absence was not entered; entered are: {entered}")
        add(path, event)
        print_text(f"{absence.cancelled()} {passed_on(path, config)}".strip())
        return
    if absence.last < today_of(plan, None):
        _report(plan, path, absence, as_json)
        return
    if absence not in known:
        add(path, event)
    _ahead(plan, path, absence, passed_on(path, config), as_json)


def _ahead(plan: "BridgePlan", path: Path, absence: "Absence", passed: str, as_json: bool) -> None:
    from bridge.watering.gather import gather

    rows = []
    if plan.trays is not None:
        rows = _trays(gather(plan, path, min(today_of(plan, None), absence.first)), absence)
    if as_json:
        trays = [
            {
                "id": tray.ident,
                "litres_before": round(litres, 1),
                "dry_after_days": None if not dry.within_horizon else round(dry.median, 1),
                "lasts": dry.low80 >= absence.days,
            }
            for tray, litres, dry, _ in rows
        ]
        span = {"from": str(absence.first), "to": str(absence.last)}
        click.echo(json.dumps({**span, "trays": trays, "reservoirs": _marks(plan)}))
        return
    print_text(f"Entered: {absence.sentence()} {absence.days} days. {passed}".strip())
    for name, mark_l, refill_l in _marks(plan):
        full, low = (plan.display.litres_as(litres, ".0f") for litres in (mark_l, refill_l))
        print_text(f"{name}: filled to {full} from two days before, and refilled at {low}")
    eve = absence.first - timedelta(days=1)
    for tray, litres, dry, limit in rows:
        until = f"dry after about {dry.median:.0f} days" if dry.within_horizon else "it does not run dry"
        given = plan.display.litres_as(litres, ".1f")
        print_text(f"{tray.name}: about {given} on {eve} to fill it towards its rim; {until}")
        if tray.drained:
            print_text("   close its drain before, and open it after")
        if dry.low80 < absence.days:
            print_text(
                "   this may not last: ask somebody to fill it, shade it, or set it into a deeper tray"
            )
        if limit.low80 < absence.days:
            print_text("   flush it before: it may pass its limit meanwhile")
    print_text("Let a reservoir fill before you leave, and shut the feed if nobody can look after a leak.")


def _marks(plan: "BridgePlan") -> list[tuple[str, float, float]]:
    """Return each reservoir whose marks rise, with the volumes at which a fill then ends and begins."""
    return [
        (one.identity.reservoir, level.fill_fraction * litres, level.refill_fraction * litres)
        for one in plan.stations
        if (level := one.level_while_away) is not None
        for litres in [one.identity.capacity_l]
    ]


def _trays(found: "Found", absence: "Absence") -> "list[tuple[TrayPlan, float, Days, Days]]":
    from bridge.trays.outlook import days_until_dry, days_until_limit
    from bridge.trays.round import AWAY_SHARE_OF_RIM
    from bridge.trays.tray import after_giving

    rows = []
    for course in found.courses:
        plan, fed = course.plan, found.fed[course.plan.fed_from]
        litres = max(plan.at_depth(AWAY_SHARE_OF_RIM * plan.rim_mm) - course.tray.volume_l, 0.0)
        full = after_giving(course.tray, plan, litres, fed.ppm, fed.ppm_sd)
        dry = days_until_dry(full, plan, course.to_come())
        limit = days_until_limit(full, plan, course.to_come(), fed, absence.first.month)
        rows.append((plan, litres, dry, limit))
    return rows


def _report(plan: "BridgePlan", path: Path, absence: "Absence", as_json: bool) -> None:
    from bridge.commands.shared.configuration import reading
    from bridge.watering.absence import AbsenceReport, report_of
    from bridge.watering.weather import zone_of

    report = AbsenceReport(absence, (), (), ())
    if path.exists():
        with reading(path) as reader:
            report = report_of(reader, absence, zone_of(plan), today_of(plan, None))
    if as_json:
        reservoirs = [
            {
                "id": one.reservoir,
                "fills": one.fills,
                "made_l": _rounded(one.made_l),
                "used_l": _rounded(one.used_l),
                "lowest_l": _rounded(one.lowest_l),
            }
            for one in report.reservoirs
        ]
        alarms = [
            {"reservoir": reservoir, "alarm": alarm, "sentence": sentence}
            for (reservoir, alarm), sentence in zip(report.alarms, report.sentences, strict=True)
        ]
        span = {"from": str(absence.first), "to": str(absence.last), "days": absence.days}
        click.echo(json.dumps({**span, "reservoirs": reservoirs, "alarms": alarms}))
        return
    print_text(report.text(plan.display))
    for (reservoir, _), sentence in zip(report.alarms, report.sentences, strict=True):
        print_text(f"   {reservoir}: {sentence}" if reservoir else f"   {sentence}")
    if plan.trays is not None:
        print_text(
            "Look at every tray now, fill it to its mark, and measure it: clearwell sample --of tray.ID."
        )


def _rounded(litres: float | None) -> float | None:
    return None if litres is None else round(litres, 1)
