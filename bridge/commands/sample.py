"""``clearwell sample``: a reading taken by hand, judged."""

import json
from pathlib import Path
from typing import TYPE_CHECKING

import click

from bridge.commands.logfile import which_log

if TYPE_CHECKING:
    from bridge.commands.sample_kept import Tray
    from bridge.water.measurement import Measurement
    from bridge.water.solids import Verdict

LARGEST_US_CM = 100_000.0
"""Sea water has about half of this (from memory); whatever reads more is no water for plants."""
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
@click.option("--temperature", type=float, metavar="°C", help="Temperature of the water.")
@click.option(
    "--method",
    type=click.Choice(["natural", "pure", "linear", "off"]),
    help="How the reading is brought to 25 °C.  [default: natural]",
)
@click.option("--compensated", is_flag=True, help="The meter has brought the reading to 25 °C already.")
@click.option("--factor", type=float, default=0.5, show_default=True, help="The scale of the ppm here.")
@click.option(
    "--limit",
    type=click.FloatRange(min=0.0, min_open=True),
    default=50.0,
    show_default=True,
    metavar="ppm",
    help="Unsuitable from here.",
)
@click.option(
    "--advice",
    type=float,
    metavar="ppm",
    help="Marginal from here.  [default: 25, or half of a limit under 25]",
)
@click.option(
    "--of", metavar="WORD", help="What it is of: rain, jug, tray, feed, reservoir or a name of yours."
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
@which_log
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
def command(
    conductivity: float | None,
    conductance: float | None,
    cell_constant: float | None,
    meter_ppm: float | None,
    meter_factor: float | None,
    temperature: float | None,
    method: str | None,
    compensated: bool,
    factor: float,
    limit: float,
    advice: float | None,
    of: str | None,
    reservoir: str | None,
    note: str,
    tray_litres: float | None,
    given: float | None,
    log_file: Path | None,
    config: Path | None,
    as_json: bool,
) -> None:
    """Judge a reading taken by hand: is this water fit for bog plants?

    Give one of --conductivity, --conductance with --cell-constant, or --meter-ppm with --meter-factor; and
    the water's --temperature, or --compensated if the meter corrects for it by itself. A pocket meter that
    shows only ppm is taken to correct by itself, as nearly all do, when no temperature is given.

    The method is natural unless another one is named: what people take by hand is rain, tap water or what
    stands in a reservoir, and natural (ISO 7888, 0 to 36 °C) is made for such waters. For fresh product that
    conducts less than some µS/cm choose pure (0 to 50 °C), which also allows for what the water itself
    conducts.

    The limit, the advice and the dissolved solids are on one scale, --factor ppm for each µS/cm at 25 °C.
    The verdict counts the uncertainty against the water.

    With --log or --config, and --of, the sample is also kept in the log, where a running daemon finds it: a
    sample of the feed counts for the purifier's load where no feed probe is fitted. A tray's sample gives its
    cycles of concentration, and with --tray-litres the flush that brings it back under the limit.
    """
    from bridge.settings.usual import usual_advice_ppm
    from bridge.water.solids import judge

    reading = _one_reading(conductivity, conductance, cell_constant, meter_ppm, meter_factor)
    _check_temperature(reading, temperature, method, compensated)
    by_meter = compensated or temperature is None
    measurement = _measured(
        reading, cell_constant, meter_factor, temperature, method or "natural", by_meter, factor
    )
    _check_plausible(measurement, by_meter)
    advice_ppm = usual_advice_ppm(limit) if advice is None else advice
    verdict = judge(measurement.dissolved_solids_ppm, measurement.expanded_uncertainty_ppm, limit, advice_ppm)
    kept_in = _kept_in(log_file, config, of, reservoir, tray_litres, given)
    found = None
    if of == "tray":
        from bridge.commands import sample_kept

        found = sample_kept.tray(measurement, limit, tray_litres, given, kept_in)
    if kept_in is not None and of is not None:
        from bridge.commands import sample_kept

        sample_kept.keep(*kept_in, of, measurement, verdict, note)
    if as_json:
        click.echo(
            json.dumps(
                {
                    "conductivity_25": measurement.conductivity_25_us_cm,
                    "dissolved_solids": measurement.dissolved_solids_ppm,
                    "expanded_uncertainty": measurement.expanded_uncertainty_ppm,
                    "factor": measurement.factor,
                    "method": measurement.method.value,
                    "verdict": verdict.value,
                    **_more(of, kept_in, found),
                }
            )
        )
        return
    for line in _lines(measurement, by_meter, verdict, limit, advice_ppm):
        click.echo(line)
    if reading[0] == "--meter-ppm" and not by_meter:
        click.echo("If the meter corrects for temperature by itself, as most do, add --compensated.")
    if found is not None:
        from bridge.commands.sample_kept import told

        for line in told(found, tray_litres):
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
) -> tuple[Path, str] | None:
    """The log and the reservoir that the sample goes to; None when it is not kept."""
    from bridge.commands.logfile import chosen
    from bridge.commands.sample_kept import checked_name, reservoir_of

    if of is not None:
        checked_name(of)
    if of != "tray" and (tray_litres is not None or given is not None):
        raise click.UsageError("--tray-litres and --given belong to --of tray; leave them out.")
    if log_file is None and config is None:
        if reservoir is not None:
            raise click.UsageError("--reservoir says whose log entry it is; give --log or --config too.")
        return None
    if of is None:
        raise click.UsageError("What is it a sample of? Give --of, for the log keeps it under that word.")
    path = chosen(log_file, config)
    return path, reservoir_of(path, reservoir)


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


def _one_reading(
    conductivity: float | None,
    conductance: float | None,
    cell_constant: float | None,
    meter_ppm: float | None,
    meter_factor: float | None,
) -> tuple[str, float]:
    """The option that gave the reading, and the reading."""
    given = [
        (name, value)
        for name, value in (
            ("--conductivity", conductivity),
            ("--conductance", conductance),
            ("--meter-ppm", meter_ppm),
        )
        if value is not None
    ]
    if len(given) != 1:
        got = " and ".join(name for name, _ in given) or "none of them"
        raise click.UsageError(
            "Give one reading: --conductivity, --conductance with --cell-constant, or --meter-ppm with "
            f"--meter-factor; here is {got}."
        )
    for reading, value, partner, other in (
        ("--conductance", conductance, "--cell-constant", cell_constant),
        ("--meter-ppm", meter_ppm, "--meter-factor", meter_factor),
    ):
        if value is not None and other is None:
            raise click.UsageError(f"{reading} needs {partner}; give it too.")
        if value is None and other is not None:
            raise click.UsageError(f"{partner} belongs to {reading}, which is not given; leave it out.")
    return given[0]


def _check_temperature(
    given: tuple[str, float], temperature: float | None, method: str | None, compensated: bool
) -> None:
    if compensated and given[0] == "--conductance":
        raise click.UsageError(
            "--compensated does not go with --conductance: a bare cell corrects nothing; give --temperature."
        )
    if compensated and method not in (None, "off"):
        raise click.UsageError(
            f"--compensated and --method {method} would correct for the temperature twice; give one of them."
        )
    if temperature is None and not compensated and (given[0] != "--meter-ppm" or method is not None):
        raise click.UsageError(
            f"{given[0]} needs --temperature, that of the water in °C"
            + (
                "."
                if given[0] == "--conductance"
                else ", or --compensated if the meter corrects for it by itself."
            )
        )


def _measured(
    given: tuple[str, float],
    cell_constant: float | None,
    meter_factor: float | None,
    temperature_c: float | None,
    method: str,
    by_meter: bool,
    factor: float,
) -> "Measurement":
    from bridge.water.cell import Cell
    from bridge.water.compensation import Compensation, Method
    from bridge.water.measurement import (
        MeasuringChain,
        measure,
        measure_compensated,
        measure_conductivity,
        measure_pocket_meter,
    )
    from bridge.water.solids import checked_factor
    from bridge.water.uncertainty import USUAL, StandardUncertainties

    name, reading = given
    # A hand meter is usually good to ±2 %, taken as rectangular (common practice, no source).
    meter_percent = 1.2
    # A pocket meter shows whole ppm: a step of 1 ppm on its own scale.
    step_us_cm = 0.0 if meter_factor is None else 1.0 / checked_factor(meter_factor)
    chain = MeasuringChain(
        Cell(1.0 if cell_constant is None else cell_constant),
        Compensation(Method(method)),
        factor,
        USUAL
        if name == "--conductance"
        else StandardUncertainties(cell_constant_percent=meter_percent, conductance_step_us=step_us_cm),
    )
    if by_meter or temperature_c is None:
        if meter_factor is not None:
            return measure_pocket_meter(chain, reading, meter_factor, temperature_c)
        return measure_compensated(chain, reading, temperature_c)
    if name == "--conductance":
        return measure(chain, reading, temperature_c)
    return measure_conductivity(chain, reading / (meter_factor or 1.0), temperature_c)


def _check_plausible(measurement: "Measurement", by_meter: bool) -> None:
    """Nothing conducts less than pure water: a dry cell must not pass for the purest water there is."""
    from bridge.errors import OutOfRangeError
    from bridge.water.compensation import REFERENCE_C
    from bridge.water.probe import ProbeFault, ProbeSettings, ProbeState, observe

    temperature_c = REFERENCE_C if by_meter else measurement.temperature_c
    _, findings = observe(
        ProbeSettings(over_range_us_cm=LARGEST_US_CM),
        ProbeState(),
        measurement.conductivity_us_cm,
        temperature_c,
        0.0,
    )
    for finding in findings:
        if finding.fault in (ProbeFault.BELOW_FLOOR, ProbeFault.OVER_RANGE):
            raise OutOfRangeError(f"no verdict: {finding.sentence}")


def _lines(
    measurement: "Measurement", by_meter: bool, verdict: "Verdict", limit_ppm: float, advice_ppm: float
) -> tuple[str, ...]:
    from bridge.water.compensation import Method
    from bridge.water.solids import scale_label

    ppm, band_ppm = measurement.dissolved_solids_ppm, measurement.expanded_uncertainty_ppm
    if by_meter:
        how = "brought there by the meter itself"
    elif measurement.method is Method.OFF:
        how = f"method 'off': the figure stands for {measurement.temperature_c:g} °C"
    else:
        how = f"by the method '{measurement.method.value}' from {measurement.temperature_c:g} °C"
    reason = {
        "suitable": f"under the advice of {advice_ppm:g} ppm",
        "marginal": f"at or over the advice of {advice_ppm:g} ppm, and under the limit of {limit_ppm:g} ppm",
        "unsuitable": f"at or over the limit of {limit_ppm:g} ppm",
    }[verdict.value]
    return (
        f"Conductivity at 25 °C  {measurement.conductivity_25_us_cm:.4g} µS/cm ({how})",
        f"Dissolved solids       {ppm:.3g} ppm on the scale of {scale_label(measurement.factor)}",
        f"Expanded uncertainty   {band_ppm:.2g} ppm (k = 2)",
        f"Verdict                {verdict.value}: {ppm + band_ppm:.3g} ppm, the uncertainty counted, is "
        f"{reason}",
    )
