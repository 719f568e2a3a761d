"""The options of ``clearwell sample``, and the reading among them: checked, and converted to 25 °C."""

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from bridge.commands.shared.values import as_solids, in_base, in_celsius, in_litres, renamed_option
from bridge.errors import InputError
from bridge.units import CONCENTRATION, CONDUCTANCE, CONDUCTIVITY

if TYPE_CHECKING:
    from bridge.water.measurement import Measurement
    from bridge.water.meter import HandMeter, MeterReading
    from bridge.water.uncertainty import WaterKind


F = TypeVar("F", bound=Callable[..., Any])

MOST_LITRES = 100_000.0
MOST_PPM = 100_000.0
"""Greater values are typing mistakes."""

_OPTIONS = (
    click.option(
        "--conductivity",
        type=in_base(CONDUCTIVITY),
        metavar="µS/cm",
        help="The reading of a conductivity meter.",
    ),
    click.option(
        "--conductance",
        type=in_base(CONDUCTANCE),
        metavar="µS",
        help="Of a bare cell; needs --cell-constant.",
    ),
    click.option("--cell-constant", type=float, metavar="cm⁻¹", help="The constant of that cell, in cm⁻¹."),
    click.option(
        "--meter-ppm",
        type=in_base(CONCENTRATION),
        metavar="N",
        help="What a ppm-only pocket meter shows; with --meter-factor.",
    ),
    click.option(
        "--meter-factor", type=float, metavar="F", help="That meter's own factor, often 0.5 or 0.7."
    ),
    click.option(
        "--meter",
        metavar="ID",
        help="The hand meter, a table [meter.ID] of the configuration.  [default: a usual pocket meter]",
    ),
    click.option(
        "--ppm",
        type=in_base(CONCENTRATION),
        metavar="N",
        help="What a meter on the scale used here (--factor) shows.",
    ),
    click.option("--temperature", type=in_celsius(), metavar="°C", help="Temperature of the water."),
    click.option(
        "--method",
        type=click.Choice(["natural", "pure", "linear", "off"]),
        help="How the reading is converted to 25 °C.  [default: natural]",
    ),
    click.option("--compensated", is_flag=True, help="The meter has converted the reading to 25 °C."),
    click.option(
        "--factor",
        type=float,
        help="The scale of the ppm here.  [default: that of the configuration, or 0.5]",
    ),
    click.option(
        "--limit",
        type=as_solids(above=True),
        metavar="ppm",
        help="Unsuitable from this value.  [default: that of the configuration, or 50]",
    ),
    click.option(
        "--target",
        type=as_solids(),
        metavar="ppm",
        help="Marginal from this value.  "
        "[default: that of the configuration, or 25, or half of a limit under 25]",
    ),
    renamed_option("--advice", "--target"),
    click.option(
        "--of",
        metavar="WORD",
        help="What was sampled: rain, jug, tray, tray.ID, feed, reservoir, an id kept by hand, or a word.",
    ),
    click.option("--reservoir", metavar="ID", help="The reservoir it belongs to, where the log has several."),
    click.option("--note", default="", help="A few words to keep with it."),
    click.option(
        "--tray-litres",
        type=in_litres(),
        metavar="L",
        help="With --of tray: the volume of water in the tray.",
    ),
    click.option(
        "--given",
        type=as_solids(),
        metavar="ppm",
        help="With --of tray: the water that it is given.  [default: that of the reservoir, from the log]",
    ),
    click.option(
        "--litres",
        type=in_litres(0.0, MOST_LITRES),
        metavar="L",
        help="Kept by hand: the litres that the purifier made, or that were put on the shelf.",
    ),
    click.option(
        "--took",
        type=in_litres(0.0, MOST_LITRES),
        metavar="L",
        help="Kept by hand: the litres that were taken from the shelf.",
    ),
    click.option(
        "--left",
        type=in_litres(0.0, MOST_LITRES, above=False),
        metavar="L",
        help="Kept by hand: the litres on the shelf, counted.",
    ),
    click.option(
        "--feed-ppm",
        type=as_solids(MOST_PPM),
        metavar="N",
        help="Kept by hand: the feed, by a meter on the scale used here.",
    ),
    click.option(
        "--changed",
        type=click.Choice(["exhausted", "early"]),
        help="Kept by hand: the cartridge was changed (or the boiler descaled), exhausted or early.",
    ),
    click.option(
        "--undo",
        is_flag=True,
        help="Take back the last entry of --of. With a reading or litres: correct it. The log keeps both.",
    ),
    click.option(
        "--at",
        metavar="TIME",
        help="The time of the entry if not now: 2026-07-04T08:00, local time unless it has an offset.",
    ),
)


def sample_options(command: F) -> F:
    """Add the options in the order in which the help shows them."""
    for option in reversed(_OPTIONS):
        command = option(command)
    return command


LARGEST_US_CM = 100_000.0
"""Sea water has about half of this (from memory); a higher reading is not one of water for plants."""


def one_reading(
    conductivity: float | None,
    conductance: float | None,
    cell_constant: float | None,
    meter_ppm: float | None,
    meter_factor: float | None,
    ppm: float | None,
    *,
    of_known_meter: bool = False,
) -> tuple[str, float]:
    """Return the option that gave the reading, and the reading.

    A meter of the configuration has its factor there, so ``--meter-factor`` is not needed.

    Raises:
        click.UsageError: There is no reading, more than one, or an option that belongs to another reading.
    """
    given = [
        (name, value)
        for name, value in (
            ("--conductivity", conductivity),
            ("--conductance", conductance),
            ("--meter-ppm", meter_ppm),
            ("--ppm", ppm),
        )
        if value is not None
    ]
    if len(given) != 1:
        got = " and ".join(name for name, _ in given) or "none of them"
        raise click.UsageError(
            "Give one reading: --conductivity, --conductance with --cell-constant, --meter-ppm with "
            f"--meter-factor, or --ppm; you gave {got}."
        )
    for reading, value, partner, other in (
        ("--conductance", conductance, "--cell-constant", cell_constant),
        ("--meter-ppm", meter_ppm, "--meter-factor", meter_factor),
    ):
        if value is not None and other is None and not (of_known_meter and partner == "--meter-factor"):
            raise click.UsageError(f"{reading} needs {partner}; give it too.")
        if value is None and other is not None:
            raise click.UsageError(f"{partner} belongs to {reading}, which is not given; leave it out.")
    return given[0]


def check_temperature(
    given: tuple[str, float], temperature: float | None, method: str | None, compensated: bool
) -> None:
    """Check that the temperature is known, and corrected for once.

    Raises:
        click.UsageError: It is not.
    """
    if compensated and given[0] == "--conductance":
        raise click.UsageError(
            "--compensated does not go with --conductance: a bare cell corrects nothing; give --temperature."
        )
    if compensated and method not in (None, "off"):
        raise click.UsageError(
            f"--compensated and --method {method} would correct for the temperature twice; give one of them."
        )
    if (
        temperature is None
        and not compensated
        and (given[0] not in ("--meter-ppm", "--ppm") or method is not None)
    ):
        raise click.UsageError(
            f"{given[0]} needs --temperature, that of the water in °C"
            + (
                "."
                if given[0] == "--conductance"
                else ", or --compensated if the meter corrects for it by itself."
            )
        )


def named_meter(
    config: Path | None,
    ident: str,
    given: tuple[str, float],
    meter_factor: float | None,
    compensated: bool,
    factor: float,
) -> "HandMeter":
    """Find a meter in the configuration, and check that the reading can be its own.

    Args:
        config: The configuration.
        ident: The id of the meter.
        given: The option of the reading, and the reading.
        meter_factor: The factor that was given on the command line.
        compensated: Whether the command line says that the meter converts to 25 °C.
        factor: The scale of ``--ppm``.

    Raises:
        click.UsageError: There is no configuration.
        InputError: There is no such meter, or the options contradict its table.
    """
    from bridge.commands.shared.configuration import configuration_in_use
    from bridge.water.meter import MeterUnit

    if config is None:
        raise click.UsageError(
            "--meter is the id of a table [meter.<id>] of the configuration: give --config."
        )
    meters = {one.ident: one for one in configuration_in_use(config).plan.meters}
    if ident not in meters:
        there = ", ".join(meters) or "none"
        raise InputError(f"--meter {ident}: {config} has no table [meter.{ident}]; it has {there}")
    meter, name = meters[ident], given[0]
    fits = ("--conductivity",) if meter.unit is MeterUnit.US_CM else ("--meter-ppm", "--ppm")
    if name not in fits:
        raise InputError(f"{name}: the meter '{ident}' shows {meter.unit.symbol}; give {' or '.join(fits)}")
    if meter_factor is not None:
        raise InputError(f"--meter-factor: [meter.{ident}] has the factor {meter.factor:g}; leave it out")
    if name == "--ppm" and meter.factor != factor:
        raise InputError(
            f"--ppm is on the scale of {factor:g}, and the meter '{ident}' has the factor {meter.factor:g}; "
            "give what it shows as --meter-ppm"
        )
    if compensated and not meter.compensated:
        raise InputError(
            f"--compensated: by [meter.{ident}] it does not compensate; leave the option out, or correct the "
            "table"
        )
    return meter


def usual_meter(given: tuple[str, float], meter_factor: float | None, by_meter: bool) -> "HandMeter":
    """Return a usual pocket meter, with the factor of the command line and the decimals of the reading.

    Raises:
        OutOfRangeError: The factor is impossible.
    """
    from bridge.water.meter import USUAL_CONDUCTIVITY_METER, USUAL_METER

    name, shown = given
    # A meter that shows 0.4 has a finer step than a usual one.
    whole = (one for one in (1.0, 0.1, 0.01) if abs(shown / one - round(shown / one)) < 1e-6)
    step = next(whole, 0.001)
    if name == "--conductivity":
        return replace(USUAL_CONDUCTIVITY_METER, resolution=step, compensated=by_meter)
    factor = USUAL_METER.factor if meter_factor is None else meter_factor
    return replace(USUAL_METER, factor=factor, resolution=step, compensated=by_meter)


def measured(
    given: tuple[str, float],
    meter: "HandMeter | None",
    cell_constant: float | None,
    temperature_c: float | None,
    method: str,
    factor: float,
    water: "WaterKind | None",
) -> "MeterReading | Measurement":
    """Convert a reading to 25 °C, with its uncertainty.

    Args:
        given: The option of the reading, and the reading.
        meter: The meter; None for a bare cell.
        cell_constant: The cell constant in cm⁻¹ for a conductance.
        temperature_c: The temperature of the water, if it is known.
        method: The method of compensation.
        factor: The scale of the result in ppm for each µS/cm at 25 °C.
        water: The kind of water; None if it is not known.

    Returns:
        The reading of the meter, or the measurement of the bare cell.

    Raises:
        OutOfRangeError: A value is impossible or outside the range of the method.
    """
    from bridge.water.conductivity import Cell, Compensation, Method
    from bridge.water.measurement import MeasuringChain, measure
    from bridge.water.meter import read
    from bridge.water.uncertainty import DEFAULT_UNCERTAINTIES, for_water

    _, reading = given
    # Without a kind the defaults hold, which are those of the least certain water.
    inputs = DEFAULT_UNCERTAINTIES if water is None else for_water(DEFAULT_UNCERTAINTIES, water)
    how = Compensation(Method(method))
    if meter is not None:
        return read(meter, reading, factor, temperature_c, how, inputs)
    chain = MeasuringChain(Cell(1.0 if cell_constant is None else cell_constant), how, factor, inputs)
    # The options have been checked: a bare cell has a temperature.
    assert temperature_c is not None
    return measure(chain, reading, temperature_c)


def check_plausible(measurement: "Measurement", by_meter: bool) -> None:
    """Refuse a reading that no water can have, such as that of a dry cell.

    A meter that shows 0 must not be checked here, because its value is only known to be under half a digit.

    Raises:
        OutOfRangeError: The reading is below that of pure water, or far above that of sea water.
    """
    from bridge.errors import OutOfRangeError
    from bridge.water.conductivity import REFERENCE_C
    from bridge.water.health import ProbeFault
    from bridge.water.probe import ProbeSettings, ProbeState, observe

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
