"""``clearwell calibrate`` and ``commission``: work with the hardware attached, without the daemon."""

import sys
import time
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from bridge.commands.shared.terminal import print_error, print_text
from bridge.commands.shared.values import in_base, in_celsius, typed_values
from bridge.errors import ClearwellError, InputError, LinkError
from bridge.units import CONDUCTANCE, plain

if TYPE_CHECKING:
    from bridge.bench import Bench
    from bridge.bench.calibrating import Outcome
    from bridge.bench.commissioning import Checklist, Result
    from bridge.station.plan import ProbePlan, StationPlan
    from bridge.water.calibration import CalibrationPoint, Settled
    from bridge.water.standards import Standard


_SHOW_EVERY_S = 1.0
_SILENT_S = 5.0
_NO_VALUE_S = 20.0
PROCEDURE = (
    "Rinse the cell three times with product water and twice with the standard, and throw both away. Fill "
    "it, knock the bubbles out, and let cell, thermometer and solution come to the same temperature. Use "
    "fresh solution and never pour any back."
)
CAUTION = (
    "Caution: shut the hand valve before the cell is taken out; its line may be under pressure. A calibrated "
    "conductivity reading never shows that water is safe to drink."
)


@click.command("calibrate")
@click.option("--config", required=True, type=click.Path(path_type=Path), help="The daemon's configuration.")
@click.option("--reservoir", metavar="ID", help="Which reservoir's controller, where there are several.")
@click.option(
    "--cell", type=click.Choice(["product", "feed", "check_cell"]), default="product", show_default=True
)
@click.option(
    "--standard",
    "standards",
    multiple=True,
    metavar="84|1413|kcl-0.01|kcl-0.1|µS/cm",
    help="The solution, or the value on its label at 25 °C; twice for two solutions, which also give the "
    "offset.",
)
@click.option(
    "--conductance",
    "conductances",
    type=in_base(CONDUCTANCE),
    multiple=True,
    metavar="µS",
    help="The reading of the cell in it; then the controller is not used. Once for each standard.",
)
@click.option(
    "--temperature",
    "temperatures",
    type=in_celsius(),
    multiple=True,
    metavar="°C",
    help="Temperature of the solution, instead of the probe's. Once, or once for each standard.",
)
@click.option("--steady-for", type=click.FloatRange(2, 3600), default=60.0, show_default=True, metavar="S",
              help="How long the reading must be steady.")  # fmt: skip
@click.option("--give-up", type=click.FloatRange(5, 7200), default=900.0, show_default=True, metavar="S",
              help="Longest wait for a steady reading.")  # fmt: skip
@click.option("--new-cell", is_flag=True, help="The cell was exchanged, so any new constant is accepted.")
@click.option("--yes", is_flag=True, help="Ask no question, and save the result.")
def calibrate(
    config: Path,
    reservoir: str | None,
    cell: str,
    standards: tuple[str, ...],
    conductances: tuple[float, ...],
    temperatures: tuple[float, ...],
    steady_for: float,
    give_up: float,
    new_cell: bool,
    yes: bool,
) -> None:
    """Calibrate the conductivity cell of a reservoir in one or two standard solutions.

    Without --conductance the controller is read through its serial port, so the daemon must not be running.
    The result is saved in the log, and beside it in the file clearwell-calibration.toml (without a log,
    beside the configuration). At its start the daemon reads that file, which takes precedence over the
    configuration. Earlier values stay in it.
    """
    from bridge.bench.calibrating import calibrate, keep, refuse_beside_daemon
    from bridge.commands.shared.configuration import configuration_in_use
    from bridge.water.standards import chosen

    if len(standards) > 2:
        raise InputError("--standard: one or two solutions, not more")
    if conductances and len(conductances) != len(standards):
        raise InputError("--conductance: give it once for each --standard, in the same order")
    if len(temperatures) > 1 and len(temperatures) != len(standards):
        raise InputError("--temperature: give it once, or once for each --standard, in the same order")
    if conductances and not temperatures:
        raise InputError(
            "--temperature: with --conductance, the temperature of the solution must be given too"
        )
    if yes and not standards:
        raise InputError("--standard: --yes asks no question, so name the solution")
    if yes and len(standards) == 2 and not conductances:
        raise InputError("--yes: a person must change the solutions; leave it out, or give --conductance")
    with typed_values():
        solutions = [chosen(text) for text in standards]
    plan = configuration_in_use(config).plan
    station, probe = _probe(plan.stations, reservoir, cell)
    refuse_beside_daemon(plan)

    if conductances:
        given = temperatures if len(temperatures) == len(solutions) else temperatures * len(solutions)
        rows = list(zip(solutions, conductances, given, strict=True))
        with typed_values():
            outcome = calibrate(probe, [_point(standard, us, c) for standard, us, c in rows])
    else:
        points = _at_the_bench(station, probe, cell, solutions, temperatures, steady_for, give_up, yes)
        outcome = calibrate(probe, points)
    _show(outcome, probe)
    _agree(outcome, new_cell, yes or bool(conductances))
    configured = _configured_per_cm(
        config, station.identity.reservoir, cell, probe.chain.cell.constant_per_cm
    )
    file, trouble = keep(plan, config, station, cell, outcome, configured)
    print_text(f"Saved in {file}; the daemon reads it when it starts. Earlier values stay in it.")
    if trouble is not None:
        print_error(f"clearwell: {trouble}")
        sys.exit(1)


def _probe(
    stations: "tuple[StationPlan, ...]", reservoir: str | None, cell: str
) -> "tuple[StationPlan, ProbePlan]":
    from bridge.commands.shared.configuration import station_of

    station = station_of(stations, reservoir)
    probe = {"product": station.product, "feed": station.feed, "check_cell": station.check}[cell]
    if probe is None:
        name = cell.removesuffix("_cell")
        raise InputError(
            f"--cell {cell}: {station.identity.reservoir} has no {name} cell in the configuration"
        )
    return station, probe


def _configured_per_cm(config: Path, reservoir: str, cell: str, default: float) -> float:
    """Return the constant in the configuration file itself, whatever the calibrations since.

    The default applies if the constant is in the environment instead.
    """
    import tomllib

    tables = tomllib.loads(config.read_text("utf-8"))
    for key in ("reservoir", reservoir, cell):
        tables = tables.get(key, {})
    return float(tables.get("cell_constant_per_cm", default))


def _point(
    standard: "Standard", us: float, c: float, doubt_k: float = 0.2, doubt_percent: float = 0.2
) -> "CalibrationPoint":
    from bridge.water.calibration import point

    return point(
        standard, us, c, temperature_uncertainty_k=doubt_k, conductance_uncertainty_percent=doubt_percent
    )


def _at_the_bench(
    station: "StationPlan",
    probe: "ProbePlan",
    cell: str,
    solutions: "list[Standard]",
    temperatures: tuple[float, ...],
    steady_for: float,
    give_up: float,
    yes: bool,
) -> "list[CalibrationPoint]":
    from math import hypot

    from bridge.bench import Bench
    from bridge.water.standards import chosen

    points: list[CalibrationPoint] = []
    with Bench(station) as bench:
        print_text(f"The controller at {station.port} responds. Its valve stays shut.\n")
        print_text(f"{CAUTION}\n\n{PROCEDURE}\n")
        while True:
            number = len(points)
            if number < len(solutions):
                standard = solutions[number]
            else:
                with typed_values():
                    standard = chosen(
                        click.prompt("Which standard? 84, 1413, kcl-0.01, kcl-0.1, or the µS/cm on its label")
                    )
            if not yes:
                click.prompt(
                    f"Put the cell into {standard.description}, then press Enter", "", show_default=False
                )
            settled = _settle(bench, cell, standard, probe, steady_for, give_up)
            doubt_k = probe.chain.uncertainties.temperature_k
            celsius = settled.temperature_c
            if temperatures:
                celsius, doubt_k = temperatures[min(number, len(temperatures) - 1)], 0.2
            print_text(f"Settled at {settled.conductance_us:.5g} µS and {celsius:.2f} °C.")
            doubt_percent = hypot(0.2, settled.mean_uncertainty_percent)
            points.append(_point(standard, settled.conductance_us, celsius, doubt_k, doubt_percent))
            if len(points) == 2 or (solutions and len(points) == len(solutions)):
                return points
            if not solutions and not click.confirm("Also a second solution, for the offset?", default=False):
                return points


def _settle(
    bench: "Bench", cell: str, standard: "Standard", probe: "ProbePlan", steady_for: float, give_up: float
) -> "Settled":
    from bridge.protocol.messages import Reading
    from bridge.water.calibration import Criterion, Settling
    from bridge.water.standards import value_us_cm

    settling = Settling(Criterion(window_s=steady_for))
    until_s = time.monotonic() + give_up
    last_value_s = time.monotonic()
    shown_s = 0.0
    bench.discard()
    while time.monotonic() < until_s:
        received = bench.wait(Reading, _SILENT_S)
        if received is None:
            raise LinkError(
                f"The controller at {bench.plan.port} sends no readings. Check its supply and the cable."
            )
        at_s, reading = received
        second = cell != "product"
        us, c = (reading.feed_us, reading.feed_c) if second else (reading.product_us, reading.product_c)
        us_number = us if isinstance(us, float) else None
        c_number = c if isinstance(c, float) else None
        settling.take(at_s, us_number, c_number)
        if us_number is not None and c_number is not None:
            last_value_s = at_s
        elif at_s - last_value_s > min(_NO_VALUE_S, give_up / 2.0):
            expected_us = value_us_cm(standard, 25.0) / probe.chain.cell.constant_per_cm
            raise LinkError(
                f"The {cell.removesuffix('_cell')} cell or its thermometer gives no value. In this cell the "
                f"solution has about {plain(expected_us, '.4g')} µS at 25 °C. If the controller cannot "
                "measure that much, use a weaker standard; otherwise check plug, cable and bubbles."
            )
        if (settled := settling.settled) is not None:
            if sys.stderr.isatty():
                click.echo(err=True)
            return settled
        if sys.stderr.isatty() and at_s - shown_s >= _SHOW_EVERY_S and us_number is not None:
            shown_s = at_s
            moved = settling.movement
            how = (
                "" if moved is None else f", moved {moved.conductance_percent:.2f} % in {moved.seconds:.0f} s"
            )
            click.echo(f"\r{us_number:10.5g} µS  {c_number or 0.0:6.2f} °C{how}   ", nl=False, err=True)
    raise LinkError(
        f"The reading was not steady for {steady_for:g} s within {give_up:g} s. Check for bubbles, "
        "stirring and a solution that is still warming or cooling, and start again."
    )


def _show(outcome: "Outcome", probe: "ProbePlan") -> None:
    new, before = outcome.new, outcome.before
    for point in new.points:
        print_text(
            f"In {point.standard.description} at {point.temperature_c:.2f} °C, which is "
            f"{point.reference_us_cm:.5g} µS/cm: {point.conductance_us:.5g} µS."
        )
    print_text(
        f"Cell constant  {new.cell.constant_per_cm:.5g} cm⁻¹ ± "
        f"{2.0 * new.constant_uncertainty_percent:.2g} % (k = 2)"
    )
    if len(new.points) == 2:
        print_text(
            f"Offset         {new.cell.offset_us:.3g} µS ± {2.0 * new.offset_uncertainty_us:.2g} µS (k = 2)"
        )
    else:
        print_text(f"Offset         {new.cell.offset_us:.3g} µS, as before (it needs two solutions)")
    made = probe.calibration
    last = "the value in the configuration" if made is None else f"the calibration of {made.made:%Y-%m-%d}"
    weight = (
        "more than both uncertainties explain" if outcome.drift_is_significant else "within the uncertainties"
    )
    print_text(
        f"Drift          {outcome.drift_percent:+.2f} % against {last}, {before.cell.constant_per_cm:.5g} "
        f"cm⁻¹: {weight}"
    )


def _agree(outcome: "Outcome", new_cell: bool, unasked: bool) -> None:
    """Ask whether to keep the result, or refuse it."""
    if outcome.is_far and not new_cell:
        sentence = (
            f"The constant moved by {outcome.drift_percent:+.0f} %, more than ageing explains: a wrong "
            "solution, a bubble, or another cell"
        )
        if unasked:
            raise InputError(f"{sentence}. If the cell was exchanged, add --new-cell; nothing was saved")
        print_text(f"{sentence}.")
        _agreed(click.confirm("Was the cell exchanged, and should the result be saved?", default=False))
    elif not unasked:
        _agreed(click.confirm("Save this result?", default=True))


def _agreed(answer: bool) -> None:
    if not answer:
        raise ClearwellError("calibrate: nothing was saved; calibrate again when you want a new constant")


CAUTIONS = (
    "Caution. Low-voltage parts only; mains is for a licensed electrician. The hand valve before the fill "
    "valve stays SHUT during all of this, with a second person at it: the valve will open. Mop and bucket "
    "at hand. Wire the overflow float in series with the valve, and fit an overflow pipe to a drain, as the "
    "local plumbing code asks.\n"
)
BY_HAND = (
    "Board held in reset, the valve switched by a wire, overflow float lifted: the float alone shuts the "
    "valve.",
    "Board without bridge, reset pressed three times: the valve's pin stays at 0 V.",
    "Valve open, 12 V pulled and put back: shut, and it stays shut.",
    "Hand valve opened, fill valve shut: no drop in ten minutes; all joints dry.",
    "Floats held down, hand valve fully open: the overflow pipe carries all the water there is.",
    "Air gap or backflow device as the local code asks.",
)
"""The tests of firmware_notes/commissioning.md that only a person can watch."""


@click.command("commission")
@click.option("--config", required=True, type=click.Path(path_type=Path), help="The daemon's configuration.")
@click.option("--reservoir", metavar="ID", help="Which reservoir's controller, where there are several.")
@click.option(
    "--record", type=click.Path(path_type=Path, dir_okay=False), help="Also write the record to this file."
)
def commission(config: Path, reservoir: str | None, record: Path | None) -> None:
    """Walk the commissioning checklist with the hardware attached, and print a record to be signed.

    Each float is lifted, the valve opens for a second, the overflow float shuts it, and the bridge stops
    sending while the valve is open. A person confirms each step, so there is no option to skip the questions.
    The daemon must not be running. The exit status is 0 only if every test passed.
    """
    from bridge.bench import Bench
    from bridge.bench.commissioning import Checklist, Verdict
    from bridge.commands.shared.configuration import configuration_in_use, station_of

    station = station_of(configuration_in_use(config).plan.stations, reservoir)
    print_text(CAUTIONS)
    if not click.confirm("Is the hand valve shut, and is somebody beside it?", default=False):
        raise ClearwellError("commission: not started; shut the hand valve, and start again")
    results: list[Result] = []
    with Bench(station) as bench:
        checklist = Checklist(bench, station, _ask)
        for result in checklist.results():
            results.append(result)
            print_text(
                f"  {result.verdict.value}: {result.test}{': ' if result.observed else ''}{result.observed}\n"
            )
    by_hand = [(what, _confirmed(f"By hand: {what}", "Done, and passed?", False)) for what in BY_HAND]
    signed = click.prompt("Your name, for the record", default="", show_default=False)
    text = _record(station, checklist, results, by_hand, signed)
    print_text(f"\n{text}")
    if record is not None:
        record.write_text(text, encoding="utf-8")
    passed = all(result.verdict in (Verdict.PASSED, Verdict.NOT_FITTED) for result in results)
    if not (passed and all(done for _, done in by_hand)):
        print_error("Not everything passed: the hand valve stays shut.")
        sys.exit(1)


def _ask(what: str) -> bool:
    return click.confirm(what, default=True) if what.endswith("?") else _confirmed(what, "Ready?", True)


def _confirmed(what: str, question: str, default: bool) -> bool:
    """Print what it is about, wrapped for the terminal, and ask; a long prompt would break within a word."""
    print_text(what)
    return click.confirm(question, default=default)


def _record(
    station: "StationPlan",
    checklist: "Checklist",
    results: "list[Result]",
    by_hand: list[tuple[str, bool]],
    signed: str,
) -> str:
    """Return the record as text for a printer."""
    hello = checklist.hello
    board = "unknown" if hello is None else f"{hello.identity} {hello.firmware}"
    lines = [
        "COMMISSIONING RECORD",
        f"Reservoir   {station.identity.name} ({station.identity.reservoir})",
        f"Controller  {board} at {station.port}",
        f"Date        {datetime.now().astimezone():%Y-%m-%d %H:%M %z}",
        "",
        "Watched by the bridge",
    ]
    for result in results:
        lines.append(f"  [{result.verdict.value:^10}] {result.test}")
        if result.observed:
            lines.append(f"               {result.observed}")
    lines += ["", "Watched by hand"]
    lines += [f"  [{'passed' if done else 'NOT DONE':^10}] {what}" for what, done in by_hand]
    lines += [
        "",
        "No test here shows that the water is safe to drink, or that the plumbing is to code.",
        "",
        f"Done by {signed or '______________________'}    Signature ______________________",
        "",
    ]
    return "\n".join(lines)
