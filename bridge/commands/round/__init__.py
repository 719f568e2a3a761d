"""``clearwell round`` and ``clearwell away``: what the trays need today, and what was done."""

import json
import time
from datetime import date, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

import click

from bridge.commands.shared.configuration import usual_config
from bridge.commands.shared.values import in_litres, typed_values
from bridge.errors import InputError

if TYPE_CHECKING:
    from bridge.config.plan import BridgePlan
    from bridge.history.records import EntryRow, Stamp
    from bridge.watering.gather import Entered, Found

CONFIG = click.option(
    "--config",
    type=click.Path(path_type=Path),
    help="The configuration.  [default: the service's, or clearwell.toml here]",
)


def _plan_and_log(config: Path) -> "tuple[BridgePlan, Path]":
    from bridge.commands.shared.configuration import configuration_in_use
    from bridge.commands.shared.log_file import log_path
    from bridge.watering.gather import trays_of

    plan = configuration_in_use(config).plan
    trays_of(plan)
    return plan, log_path(config)


def _today(plan: "BridgePlan", text: str | None) -> date:
    from bridge.watering.gather import zone_of
    from bridge.watering.weather import day_of

    if text is None:
        return day_of(int(time.time() * 1000), zone_of(plan))
    return _date("--date", text)


def _date(option: str, text: str) -> date:
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
    from bridge.commands.round import text
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
    found = gather.gather(plan, path, _today(plan, day))
    if done is not None:
        entered = gather.enter(plan, found, done.removeprefix("tray."), litres=litres, flushed=flushed)
        made = {"tray": entered.tray, "what": entered.what.value, "litres": entered.litres}
        click.echo(json.dumps(made) if as_json else _entered_line(entered, plan))
        return
    if as_json:
        click.echo(json.dumps(gather.values(found), indent=1))
        return
    for line in text.lines(found, plan.display):
        click.echo(line)


def _blend(config: Path, rain: str, into: str, litres: float | None, day: str | None, as_json: bool) -> None:
    from bridge.commands.shared.configuration import configuration_in_use
    from bridge.commands.shared.log_file import log_path
    from bridge.trays.seasons import ROOF_CAUTION
    from bridge.watering.blend import blend, enter_blend

    plan, path = configuration_in_use(config).plan, log_path(config)
    found = blend(plan, path, rain, into, _today(plan, day))
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
        click.echo(f"Entered: {plan.display.litres_as(litres, '.1f')} of {rain} blended into {into}.")
        return
    most = plan.display.litres_as(made.rain_l, ".1f")
    click.echo(f"Up to {most} of {rain} ({found.rain.ppm:.3g} ppm) may go into {into}.")
    click.echo(
        f"It then has about {made.ppm:.3g} ppm, at most {made.upper_ppm:.3g} ppm (k = 2); the target is "
        f"{found.target_ppm:g} ppm."
    )
    saves = f" and {made.saved_g:.3g} g of its load" if found.is_feed_known else ""
    click.echo(f"It saves the purifier {plan.display.litres_as(made.saved_l, '.1f')} of product{saves}.")
    if not found.is_rise_expected:
        click.echo(
            f"Give rain_ppm in [reservoir.{into}] first: without it the guard takes the rise for a valve "
            "that leaks, and trips."
        )
    click.echo(f"When it is done: clearwell round --blend {rain} --into {into} --litres L.")
    click.echo(ROOF_CAUTION)


def _entered_line(entered: "Entered", plan: "BridgePlan") -> str:
    words = {
        "given": "poured into",
        "filled": "to fill to its mark",
        "flushed": "poured through",
        "exchanged": "exchanged in",
    }
    litres = plan.display.litres_as(entered.litres, ".1f")
    return f"Entered for {entered.day}: {litres} {words[entered.what.value]} {entered.tray}."


def _checklist(config: Path, word: str, finished: bool, as_json: bool) -> None:
    from bridge.commands.shared.log_file import log_path
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
        click.echo(f"Entered: {sentence}")
        return
    for number, line in enumerate(CHECKLISTS[which], start=1):
        click.echo(f"{number}. {line}")
    click.echo("When all of it is done: give --finished too, and it is entered into the log.")


@click.command("away")
@click.argument("first", metavar="FROM")
@click.argument("last", metavar="TO")
@CONFIG
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
def away(first: str, last: str, config: Path | None, as_json: bool) -> None:
    """Enter an absence from the day FROM to the day TO, and see what becomes of the trays.

    The last round before it fills the trays towards their rims. For an absence that has already ended the
    command reports what happened instead: alarms, fills and litres.
    """
    from bridge.trays.seasons import AWAY, Absence
    from bridge.watering import gather

    plan, path = _plan_and_log(usual_config(config, "away"))
    absence = Absence(_date("FROM", first), _date("TO", last))
    today = _today(plan, None)
    if absence.last < today:
        _report(plan, path, absence, as_json)
        return
    found = gather.gather(plan, path, min(today, absence.first))
    if absence not in gather.absences_in(found.log):
        from bridge.history.records import EventRow
        from bridge.history.writer import add

        def event(stamp: "Stamp") -> "EntryRow":
            return EventRow(stamp, "", AWAY, absence.sentence())

        add(found.log, event)
    _ahead(found, absence, as_json)


def _ahead(found: "Found", absence: "object", as_json: bool) -> None:
    from bridge.trays.outlook import days_until_dry, days_until_limit
    from bridge.trays.round import AWAY_SHARE_OF_RIM
    from bridge.trays.seasons import Absence
    from bridge.trays.tray import after_giving

    assert isinstance(absence, Absence)
    rows = []
    for course in found.courses:
        plan, fed = course.plan, found.fed[course.plan.fed_from]
        full_l = plan.at_depth(AWAY_SHARE_OF_RIM * plan.rim_mm) - course.tray.volume_l
        full = after_giving(course.tray, plan, max(full_l, 0.0), fed.ppm, fed.ppm_sd)
        dry = days_until_dry(full, plan, course.to_come())
        limit = days_until_limit(full, plan, course.to_come(), fed, absence.first.month)
        lasts = dry.low80 >= absence.days
        rows.append((plan, max(full_l, 0.0), dry, limit, lasts))
    if as_json:
        trays = [
            {
                "id": plan.ident,
                "litres_before": round(litres, 1),
                "dry_after_days": None if not dry.within_horizon else round(dry.median, 1),
                "lasts": lasts,
            }
            for plan, litres, dry, _, lasts in rows
        ]
        click.echo(json.dumps({"from": str(absence.first), "to": str(absence.last), "trays": trays}))
        return
    eve = absence.first - timedelta(days=1)
    click.echo(f"Entered: {absence.sentence()} {absence.days} days.")
    for plan, litres, dry, limit, lasts in rows:
        until = f"dry after about {dry.median:.0f} days" if dry.within_horizon else "it does not run dry"
        click.echo(f"{plan.name}: about {litres:.1f} L on {eve} to fill it towards its rim; {until}")
        if plan.drained:
            click.echo("   close its drain before, and open it after")
        if not lasts:
            click.echo(
                "   this may not last: ask somebody to fill it, shade it, or set it into a deeper tray"
            )
        if limit.low80 < absence.days:
            click.echo("   flush it before: it may pass its limit meanwhile")
    click.echo("Let a reservoir fill before you leave, and shut the feed if nobody can look after a leak.")


def _report(plan: "BridgePlan", path: Path, absence: "object", as_json: bool) -> None:
    from bridge.commands.shared.log_file import reading
    from bridge.history.records import AlarmChange, AlarmRow, FillRow, Kind
    from bridge.trays.seasons import Absence
    from bridge.watering.gather import zone_of
    from bridge.watering.weather import start_ms

    assert isinstance(absence, Absence)
    zone = zone_of(plan)
    start = start_ms(absence.first, zone)
    end = start_ms(absence.last + timedelta(days=1), zone)
    alarms: list[str] = []
    fills, litres = 0, 0.0
    if path.exists():
        with reading(path) as reader:
            for row in reader.events(start, end, kinds=(Kind.ALARM, Kind.FILL)):
                if isinstance(row, AlarmRow) and row.change is AlarmChange.RAISED:
                    alarms.append(f"{row.reservoir}: {row.sentence}")
                elif isinstance(row, FillRow):
                    fills += 1
                    litres += row.volume_l or 0.0
    if as_json:
        span = {"from": str(absence.first), "to": str(absence.last)}
        click.echo(json.dumps({**span, "alarms": alarms, "fills": fills, "filled_l": round(litres, 1)}))
        return
    click.echo(
        f"From {absence.first} to {absence.last}: {fills} fills with {litres:.1f} L, {len(alarms)} alarms."
    )
    for sentence in alarms:
        click.echo(f"   {sentence}")
    click.echo("Look at every tray now, fill it to its mark, and measure it: clearwell sample --of tray.ID.")
