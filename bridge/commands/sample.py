"""``clearwell sample``: a reading taken by hand, judged."""

import json
from pathlib import Path
from typing import TYPE_CHECKING

import click

from bridge.commands.logfile import which_log
from bridge.commands.sample_entry import enter, own_log, scale_of, values
from bridge.commands.sample_reading import check_plausible, check_temperature, measured, one_reading

if TYPE_CHECKING:
    from bridge.commands.sample_by_hand import Known
    from bridge.commands.sample_kept import Tray
    from bridge.display.units import DisplayUnits
    from bridge.water.measurement import Measurement
    from bridge.water.solids import Verdict

MOST_LITRES = 100_000.0
MOST_PPM = 100_000.0
"""More is a slip of the hand."""
CAUTION = (
    "A conductivity reading never shows that water is safe to drink: microbes, pesticides, lead and "
    "solvents do "
    "not show in it."
)


@click.command("sample")
@click.option("--conductivity", type=float, metavar="µS/cm", help="The reading of a conductivity meter.")
@click.option(
    "--conductance", type=float, metavar="µS", help="The reading of a bare cell; with --cell-constant."
)
@click.option("--cell-constant", type=float, metavar="cm⁻¹", help="The constant of that cell, in cm⁻¹.")
@click.option(
    "--meter-ppm", type=float, metavar="N", help="What a ppm-only pocket meter shows; with --meter-factor."
)
@click.option("--meter-factor", type=float, metavar="F", help="That meter's own factor, often 0.5 or 0.7.")
@click.option("--ppm", type=float, metavar="N", help="What a meter on the scale used here (--factor) shows.")
@click.option("--temperature", type=float, metavar="°C", help="Temperature of the water.")
@click.option(
    "--method",
    type=click.Choice(["natural", "pure", "linear", "off"]),
    help="How the reading is brought to 25 °C.  [default: natural]",
)
@click.option("--compensated", is_flag=True, help="The meter has brought the reading to 25 °C already.")
@click.option(
    "--factor",
    type=float,
    help="The scale of the ppm here.  [default: that of the configuration, or 0.5]",
)
@click.option(
    "--limit",
    type=click.FloatRange(min=0.0, min_open=True),
    metavar="ppm",
    help="Unsuitable from here.  [default: that of the configuration, or 50]",
)
@click.option(
    "--advice",
    type=float,
    metavar="ppm",
    help="Marginal from here.  [default: that of the configuration, or 25, or half of a limit under 25]",
)
@click.option(
    "--of",
    metavar="WORD",
    help="What it is of: rain, jug, tray, feed, reservoir, what is kept by hand, or a name of yours.",
)
@click.option("--reservoir", metavar="ID", help="The reservoir it belongs to, where the log has several.")
@click.option("--note", default="", help="A few words to keep with it.")
@click.option(
    "--tray-litres",
    type=click.FloatRange(min=0.0, min_open=True),
    metavar="L",
    help="With --of tray: the water that stands in the tray.",
)
@click.option(
    "--given",
    type=click.FloatRange(min=0.0),
    metavar="ppm",
    help="With --of tray: the water it is given.  [default: what the reservoir holds, by the log]",
)
@click.option(
    "--litres",
    type=click.FloatRange(0.0, MOST_LITRES, min_open=True),
    metavar="L",
    help="Kept by hand: the litres that it made, or that were put on the shelf.",
)
@click.option(
    "--took",
    type=click.FloatRange(0.0, MOST_LITRES, min_open=True),
    metavar="L",
    help="Kept by hand: the litres that were taken from the shelf.",
)
@click.option(
    "--left",
    type=click.FloatRange(0.0, MOST_LITRES),
    metavar="L",
    help="Kept by hand: the litres that stand on the shelf, counted.",
)
@click.option(
    "--feed-ppm",
    type=click.FloatRange(0.0, MOST_PPM),
    metavar="N",
    help="Kept by hand: what goes into the purifier, by a meter on the scale used here.",
)
@click.option(
    "--changed",
    type=click.Choice(["exhausted", "early"]),
    help="Kept by hand: the cartridge was changed now (or the boiler descaled): it had given out, or early.",
)
@which_log
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
def command(
    conductivity: float | None,
    conductance: float | None,
    cell_constant: float | None,
    meter_ppm: float | None,
    meter_factor: float | None,
    ppm: float | None,
    temperature: float | None,
    method: str | None,
    compensated: bool,
    factor: float | None,
    limit: float | None,
    advice: float | None,
    of: str | None,
    reservoir: str | None,
    note: str,
    tray_litres: float | None,
    given: float | None,
    litres: float | None,
    took: float | None,
    left: float | None,
    feed_ppm: float | None,
    changed: str | None,
    log_file: Path | None,
    config: Path | None,
    as_json: bool,
) -> None:
    """Judge a reading taken by hand: is this water fit for bog plants?

    Give one of --conductivity, --conductance with --cell-constant, --meter-ppm with --meter-factor, or --ppm;
    and the water's --temperature, or --compensated if the meter corrects for it by itself. A pocket meter
    that shows only ppm is taken to correct by itself, as nearly all do, when no temperature is given.

    The method is natural unless another one is named: what people take by hand is rain, tap water or what
    stands in a reservoir, and natural (ISO 7888, 0 to 36 °C) is made for such waters. For fresh product that
    conducts less than some µS/cm choose pure (0 to 50 °C), which also allows for what the water itself
    conducts.

    The limit, the advice and the dissolved solids are on one scale, --factor ppm for each µS/cm at 25 °C.
    With --config they are the configuration's. The verdict counts the uncertainty against the water.

    With --log or --config, and --of, the sample is also kept in the log, where a running daemon finds it: a
    sample of the feed counts for the purifier's load where no feed probe is fitted, and one of the reservoir
    for its mixing balance. A tray's sample gives its cycles of concentration, and with --tray-litres the
    flush that brings it back under the limit.

    What is kept by hand, a table [purifier.<id>] or [shelf.<id>] of the configuration, is entered in one
    line: --of pitcher --litres 3.8 --ppm 4, with --feed-ppm when the feed was measured and --changed when the
    cartridge was; --of jugs with --litres for what was put there, --took, or --left for a count.
    """
    from bridge.commands import sample_by_hand
    from bridge.commands.place import shown_by
    from bridge.commands.sample_kept import checked_name
    from bridge.water.solids import judge

    if of is not None:
        checked_name(of)
    if config is not None and log_file is None and of is not None:
        known = sample_by_hand.known(config, of, reservoir)
    else:
        known = None
    typed = sample_by_hand.ByHand(litres, took, left, feed_ppm, changed)
    sample_by_hand.check(of, typed, known, log_file or config)
    scale = scale_of(known, factor, limit, advice)
    shown = shown_by(config)
    read = (conductivity, conductance, cell_constant, meter_ppm, meter_factor, ppm)
    if typed.options and all(value is None for value in read):
        enter(of or "", typed, known, log_file, config, scale, None, note, as_json, shown)
        return
    reading = one_reading(*read)
    check_temperature(reading, temperature, method, compensated)
    by_meter = compensated or temperature is None
    on_factor = scale.factor if ppm is not None else meter_factor
    measurement = measured(
        reading, cell_constant, on_factor, temperature, method or "natural", by_meter, scale.factor
    )
    check_plausible(measurement, by_meter)
    verdict = judge(
        measurement.dissolved_solids_ppm,
        measurement.expanded_uncertainty_ppm,
        scale.limit_ppm,
        scale.advice_ppm,
    )
    if typed.options or (known is not None and known.kept is not None and of == known.reservoir):
        told = _lines(measurement, by_meter, verdict, scale.limit_ppm, scale.advice_ppm, shown.units)
        judged = (measurement, verdict)
        enter(of or "", typed, known, log_file, config, scale, judged, note, as_json, shown, told)
        if not as_json:
            click.echo(CAUTION)
        return
    kept_in = _kept_in(log_file, config, of, reservoir, tray_litres, given, known)
    found = None
    if of == "tray":
        from bridge.commands import sample_kept

        found = sample_kept.tray(measurement, scale.limit_ppm, tray_litres, given, kept_in)
    if kept_in is not None and of is not None:
        from bridge.commands import sample_kept

        sample_kept.keep(*kept_in, of, measurement, verdict, note)
    if as_json:
        click.echo(json.dumps({**values(measurement, verdict), **_more(of, kept_in, found)}))
        return
    for line in _lines(measurement, by_meter, verdict, scale.limit_ppm, scale.advice_ppm, shown.units):
        click.echo(line)
    if reading[0] in ("--meter-ppm", "--ppm") and not by_meter:
        click.echo("If the meter corrects for temperature by itself, as most do, add --compensated.")
    if found is not None:
        from bridge.commands.sample_kept import told as told_of_tray

        for line in told_of_tray(found, tray_litres, shown.units, scale.factor):
            click.echo(line)
    if kept_in is not None:
        click.echo(f"Kept in {kept_in[0]} as a sample of {of}, reservoir {kept_in[1]}.")
    click.echo(CAUTION)


def _kept_in(
    log_file: Path | None,
    config: Path | None,
    of: str | None,
    reservoir: str | None,
    tray_litres: float | None,
    given: float | None,
    known: "Known | None",
) -> tuple[Path, str] | None:
    """The log and the reservoir that the sample goes to; None when it is not kept."""
    from bridge.commands.logfile import chosen
    from bridge.commands.sample_kept import reservoir_of

    if of != "tray" and (tray_litres is not None or given is not None):
        raise click.UsageError("--tray-litres and --given belong to --of tray; leave them out.")
    if log_file is None and config is None:
        if reservoir is not None:
            raise click.UsageError("--reservoir says whose log entry it is; give --log or --config too.")
        return None
    if of is None:
        raise click.UsageError("What is it a sample of? Give --of, for the log keeps it under that word.")
    if known is not None and known.kept is not None and config is not None:
        return own_log(config), known.reservoir
    path = chosen(log_file, config)
    return path, reservoir_of(path, reservoir if known is None else known.reservoir)


def _more(of: str | None, kept_in: tuple[Path, str] | None, found: "Tray | None") -> dict[str, object]:
    """What the JSON object has beside the reading."""
    made: dict[str, object] = {} if of is None else {"of": of}
    if kept_in is not None:
        made["reservoir"] = kept_in[1]
    if found is not None:
        made |= {"given": found.given_ppm, "cycles": found.cycles, "run_off_share": found.run_off}
        if found.flush is not None:
            made |= {
                "flush_through_l": found.flush.through_l,
                "flush_exchange_l": found.flush.exchange_l,
                "ppm_after_flush": found.flush.ppm_after,
            }
    return made


def _lines(
    measurement: "Measurement",
    by_meter: bool,
    verdict: "Verdict",
    limit_ppm: float,
    advice_ppm: float,
    units: "DisplayUnits",
) -> tuple[str, ...]:
    from bridge.display.units import SolidsUnit
    from bridge.water.compensation import Method
    from bridge.water.solids import scale_label

    def told(ppm: float, spec: str) -> str:
        return units.ppm_as(ppm, measurement.factor, spec)

    ppm, band_ppm = measurement.dissolved_solids_ppm, measurement.expanded_uncertainty_ppm
    temperature_c = measurement.temperature_c
    water = "" if temperature_c is None else units.celsius_as(temperature_c, ".4g")
    if by_meter:
        how = "brought there by the meter itself"
    elif measurement.method is Method.OFF:
        how = f"method 'off': the figure stands for {water}"
    else:
        how = f"by the method '{measurement.method.value}' from {water}"
    reason = {
        "suitable": f"under the advice of {told(advice_ppm, 'g')}",
        "marginal": f"at or over the advice of {told(advice_ppm, 'g')}, and under the limit of "
        f"{told(limit_ppm, 'g')}",
        "unsuitable": f"at or over the limit of {told(limit_ppm, 'g')}",
    }[verdict.value]
    # In µS/cm the line above has said it already.
    solids = f"Dissolved solids       {ppm:.3g} ppm on the scale of {scale_label(measurement.factor)}"
    return (
        f"Conductivity at 25 °C  {measurement.conductivity_25_us_cm:.4g} µS/cm ({how})",
        *((solids,) if units.solids is SolidsUnit.PPM else ()),
        f"Expanded uncertainty   {told(band_ppm, '.2g')} (k = 2)",
        f"Verdict                {verdict.value}: {told(ppm + band_ppm, '.3g')}, the uncertainty counted, is "
        f"{reason}",
    )
