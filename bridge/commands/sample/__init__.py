"""``clearwell sample``: judges a reading taken by hand, and keeps it in the log."""

import json
import time
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import click

from bridge.commands.sample.options import (
    check_plausible,
    check_temperature,
    measured,
    named_meter,
    one_reading,
    sample_options,
    usual_meter,
)
from bridge.commands.shared.configuration import NoLogYet, which_log
from bridge.commands.shared.terminal import print_text
from bridge.commands.shared.values import Solids, typed_values
from bridge.errors import InputError

if TYPE_CHECKING:
    from bridge.commands.sample.by_hand import ByHand, Known
    from bridge.commands.shared.configuration import Shown
    from bridge.history.entries import Judged
    from bridge.history.records import EntryRow
    from bridge.water.uncertainty import WaterKind


@dataclass(frozen=True, slots=True)
class Scale:
    """The limit and the target of a verdict, on one scale."""

    factor: float
    limit_ppm: float
    target_ppm: float


@click.command("sample")
@sample_options
@which_log
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
@typed_values()
def command(
    conductivity: float | None,
    conductance: float | None,
    cell_constant: float | None,
    meter_ppm: float | None,
    meter_factor: float | None,
    meter: str | None,
    ppm: float | None,
    temperature: float | None,
    method: str | None,
    compensated: bool,
    factor: float | None,
    limit: Solids | None,
    target: Solids | None,
    of: str | None,
    reservoir: str | None,
    note: str,
    tray_litres: float | None,
    given: Solids | None,
    litres: float | None,
    took: float | None,
    left: float | None,
    feed_ppm: Solids | None,
    changed: str | None,
    undo: bool,
    at: str | None,
    log_file: Path | None,
    config: Path | None,
    as_json: bool,
) -> None:
    """Judge a reading taken by hand: is this water fit for bog plants?

    Give one reading: --ppm, --conductivity, --meter-ppm with --meter-factor, or --conductance with
    --cell-constant. Give the water's --temperature too, or --compensated if the meter corrects for it.
    Without a temperature a pocket meter that shows only ppm is assumed to correct for it, as nearly all do.

    With --config, --meter names the meter, a table [meter.<id>] with its resolution and its accuracy. Without
    it a meter is taken for a usual pocket meter, which is good to 2 % of its full scale. A meter that shows 0
    shows less than half a digit, and is judged so.

    The default method is natural (ISO 7888, 0 to 36 °C), which suits rain, tap water and the water of a
    reservoir. For fresh product of a few µS/cm choose pure (0 to 50 °C), which also allows for the
    conductivity of pure water itself.

    The limit, the target and the dissolved solids are on one scale, --factor ppm for each µS/cm at 25 °C.
    With --config they are those of the configuration. The verdict adds the uncertainty to the reading.

    Litres, temperatures and ppm may have another unit: --litres '1 us-gal', --temperature '54 F', --limit
    '100 uS/cm'. Without a unit they are in L, °C and ppm, whatever the configuration shows.

    With --log or --config, and --of, the sample is also kept in the log, where a running daemon finds it. If
    no feed probe is fitted, a sample of the feed counts for the purifier's load; a sample of the reservoir
    corrects the estimate of its water. A sample of a tray gives its cycles of concentration, and with
    --tray-litres the flush that brings it back under the limit.

    A purifier or a shelf that is kept by hand, a table [purifier.<id>] or [shelf.<id>] of the configuration,
    takes one line: --of pitcher --litres 3.8 --ppm 4, with --feed-ppm if the feed was measured and --changed
    if the cartridge was changed; --of jugs with --litres for water put there, --took for water taken, or
    --left for a count.

    For an earlier time give --at. Entries are ordered by that time, not by the order of typing.

    --undo takes the last entry of --of back; with a reading or litres on the same line it is corrected. The
    log keeps the entry, and nothing counts it any more.
    """
    from bridge.commands.sample import by_hand as sample_by_hand
    from bridge.commands.sample.kept import (
        CAUTION,
        checked_name,
        meter_lines,
        more_values,
        reading_lines,
        reading_values,
    )
    from bridge.commands.shared.configuration import shown_by
    from bridge.commands.shared.values import entered_ms
    from bridge.history.entries import judged

    of_tray = None
    if of is not None and of.startswith(sample_by_hand.TRAY):
        of_tray, of = sample_by_hand.known_tray(config, of), "tray"
    if of is not None:
        checked_name(of)
    if of_tray is not None:
        known: Known | None = of_tray
    elif config is not None and log_file is None and of is not None:
        known = sample_by_hand.known(config, of, reservoir)
    else:
        known = None
    scale = scale_of(known, factor, limit, target)
    shown = shown_by(config)
    at_ms = None
    if at is not None:
        if of is None or (log_file is None and config is None):
            raise click.UsageError("--at is the time of an entry: give --of, and --config or --log.")
        at_ms = entered_ms(at, shown.units.zone, int(time.time() * 1000))
    taken_back = _last_entries(log_file, config, of, reservoir, known) if undo else ()
    typed = sample_by_hand.ByHand(litres, took, left, _on(scale, feed_ppm), changed, at_ms, taken_back)
    sample_by_hand.check(of, typed, known, log_file or config)
    read = (conductivity, conductance, cell_constant, meter_ppm, meter_factor, ppm)
    if all(value is None for value in read):
        if typed.options:
            enter(of or "", typed, known, log_file, config, scale, None, note, as_json, shown)
            return
        if undo:
            _take_back(log_file, config, of or "", reservoir, known, taken_back, note, as_json, shown)
            return
    reading = one_reading(*read, of_known_meter=meter is not None)
    with_meter = None
    if meter is not None:
        with_meter = named_meter(config, meter, reading, meter_factor, compensated, scale.factor)
    by_meter = compensated or temperature is None if with_meter is None else with_meter.compensated
    check_temperature(reading, temperature, method, by_meter and (compensated or with_meter is not None))
    if with_meter is None and reading[0] != "--conductance":
        with_meter = usual_meter(reading, scale.factor if ppm is not None else meter_factor, by_meter)
    found_reading = measured(
        reading,
        with_meter,
        cell_constant,
        temperature,
        method or "natural",
        scale.factor,
        _water(of, known),
    )
    sampled = judged(found_reading, with_meter, scale.limit_ppm, scale.target_ppm)
    if not sampled.below_resolution:
        check_plausible(sampled.measurement, by_meter)
    lines = (
        *reading_lines(sampled, by_meter, scale.limit_ppm, scale.target_ppm, shown.units),
        *meter_lines(with_meter),
    )
    if typed.options or (known is not None and known.kept is not None and of == known.reservoir):
        enter(of or "", typed, known, log_file, config, scale, sampled, note, as_json, shown, lines)
        if not as_json:
            print_text(CAUTION)
        return
    given_ppm = _on(scale, given)
    try:
        kept_in = _kept_in(log_file, config, of, reservoir, tray_litres, given_ppm, known, meter)
    except NoLogYet as error:
        # The water can be judged all the same.
        if not as_json:
            print_text("\n".join((*lines, CAUTION)))
        raise NoLogYet(f"{error}. The sample is judged, but not kept") from error
    found = None
    if of == "tray" and (of_tray is None or given_ppm is not None):
        from bridge.commands.sample.kept import tray

        found = tray(sampled.measurement, scale.limit_ppm, tray_litres, given_ppm, kept_in, at_ms)
    announced = ""
    if kept_in is not None and of is not None:
        from bridge.commands.shared.configuration import passed_on
        from bridge.history import entries
        from bridge.history.writer import add

        path, name = kept_in
        makers = entries.makers(taken_back, note)
        add(path, *makers, lambda stamp: entries.sample_row(stamp, name, of, sampled, note, at_ms))
        announced = passed_on(path, config)
    if as_json:
        click.echo(json.dumps({**reading_values(sampled), **more_values(of, kept_in, found)}))
        return
    for line in lines:
        print_text(line)
    if reading[0] in ("--meter-ppm", "--ppm") and not by_meter:
        print_text("If the meter corrects for temperature, as most do, add --compensated.")
    if found is not None:
        from bridge.commands.sample.kept import tray_lines

        for line in tray_lines(found, tray_litres, shown.units, scale.factor):
            print_text(line)
    _tell_taken_back(taken_back, shown)
    if kept_in is not None:
        as_of = "" if at_ms is None else f", as of {shown.units.local(at_ms // 1000).isoformat(' ')}"
        where = f"{of}, reservoir {kept_in[1]}" if of_tray is None else f"the tray {kept_in[1]}"
        print_text(f"Kept in {kept_in[0]} as a sample of {where}{as_of}.")
        if at_ms is not None and of == "reservoir":
            print_text("The estimate is that of the present, so an earlier sample does not change it.")
    if announced:
        print_text(announced)
    print_text(CAUTION)


def _on(scale: Scale, typed: Solids | None) -> float | None:
    return None if typed is None else typed.ppm(scale.factor)


def _kept_in(
    log_file: Path | None,
    config: Path | None,
    of: str | None,
    reservoir: str | None,
    tray_litres: float | None,
    given: float | None,
    known: "Known | None",
    meter: str | None = None,
) -> tuple[Path, str] | None:
    """Return the log and the reservoir that the sample belongs to, or None if it is not kept."""
    from bridge.commands.sample.kept import reservoir_of
    from bridge.commands.shared.configuration import chosen

    if of != "tray" and (tray_litres is not None or given is not None):
        raise click.UsageError("--tray-litres and --given belong to --of tray; leave them out.")
    if log_file is None and config is None:
        if reservoir is not None:
            raise click.UsageError("--reservoir is the reservoir of a log entry; give --log or --config.")
        return None
    if of is None:
        if meter is not None and log_file is None:
            # The configuration was named for its meter.
            return None
        raise click.UsageError("What is it a sample of? Give --of; the log keeps it under that word.")
    if known is not None and (known.kept is not None or known.tray is not None) and config is not None:
        return own_log(config), known.reservoir
    path = chosen(log_file, config)
    return path, reservoir_of(path, reservoir if known is None else known.reservoir)


def _water(of: str | None, known: "Known | None") -> "WaterKind | None":
    from bridge.water.uncertainty import WaterKind

    if of in ("rain", "feed"):
        return WaterKind.RAIN if of == "rain" else WaterKind.TAP
    return None if of is None or known is None else known.water(of)


def _last_entries(
    log_file: Path | None, config: Path | None, of: str | None, reservoir: str | None, known: "Known | None"
) -> "tuple[EntryRow, ...]":
    from bridge.commands.shared.configuration import reading
    from bridge.history.entries import UNDONE_KINDS, last_entries

    kept_in = _kept_in(log_file, config, of, reservoir, None, None, known)
    if kept_in is None or of is None:
        raise click.UsageError("--undo takes back an entry of the log: give --of, and --config or --log.")
    by_hand = of == kept_in[1] if known is None else known.kept is not None
    path, name = kept_in
    with reading(path) as reader:
        rows = list(reader.events(0, reader.span_ms()[1] + 1, kinds=UNDONE_KINDS, reservoir=name))
    found = last_entries(rows, of, by_hand=by_hand)
    if not found:
        raise InputError(f"--undo: {path} has no entry of {of} that can be taken back")
    return found


def _take_back(
    log_file: Path | None,
    config: Path | None,
    of: str,
    reservoir: str | None,
    known: "Known | None",
    taken_back: "tuple[EntryRow, ...]",
    note: str,
    as_json: bool,
    shown: "Shown",
) -> None:
    """Take entries back, and print the state without them."""
    from bridge.commands.shared.configuration import passed_on
    from bridge.history.entries import makers
    from bridge.history.writer import add

    kept_in = _kept_in(log_file, config, of, reservoir, None, None, known)
    assert kept_in is not None
    add(kept_in[0], *makers(taken_back, note))
    announced = passed_on(kept_in[0], config)
    if as_json:
        click.echo(json.dumps({"of": of, "taken_back": len(taken_back)}))
        return
    _tell_taken_back(taken_back, shown)
    if announced:
        print_text(announced)


def _tell_taken_back(taken_back: "tuple[EntryRow, ...]", shown: "Shown") -> None:
    from bridge.history.entries import lines

    for line in lines(taken_back, shown.units):
        print_text(line)


def own_log(config: Path) -> Path:
    """Return the log of the configuration, which need not exist yet."""
    from bridge.commands.shared.configuration import chosen, log_path

    path = log_path(config)
    return chosen(path, None) if path.exists() else path


def scale_of(
    known: "Known | None", factor: float | None, limit: "Solids | None", target: "Solids | None"
) -> Scale:
    """Take the scale and the limits from the options, else from the configuration, else the defaults."""
    from bridge.estimate.verdict import LIMIT_PPM, default_target_ppm
    from bridge.water import measurement

    used = measurement.checked_factor(
        (measurement.DEFAULT_FACTOR if known is None else known.factor) if factor is None else factor
    )
    limit_ppm = LIMIT_PPM if limit is None else limit.ppm(used)
    target_ppm = default_target_ppm(limit_ppm) if target is None else target.ppm(used)
    if known is not None and limit is None:
        limit_ppm = known.limit_ppm * used / known.factor
        if target is None:
            target_ppm = known.target_ppm * used / known.factor
    return Scale(used, limit_ppm, target_ppm)


def enter(
    of: str,
    typed: "ByHand",
    known: "Known | None",
    log_file: Path | None,
    config: Path | None,
    scale: Scale,
    judged: "Judged | None",
    note: str,
    as_json: bool,
    shown: "Shown",
    lines: Iterable[str] = (),
) -> None:
    """Write the entry of a purifier or shelf kept by hand into the log, and print its state."""
    from bridge.commands.forecast.log import lines_by_hand, state_by_hand, values_by_hand
    from bridge.commands.sample import by_hand as sample_by_hand
    from bridge.commands.sample.kept import reading_values
    from bridge.commands.shared.configuration import chosen, entries_of

    path = chosen(log_file, config) if known is None or config is None else own_log(config)
    sample_by_hand.enter(path, of, typed, known, scale.factor, judged, note)
    state = None
    if known is not None and known.kept is not None:
        state = state_by_hand(known.kept, entries_of(path, of))
    if as_json:
        read = {} if judged is None else reading_values(judged)
        stands = {} if state is None else values_by_hand(state)
        click.echo(json.dumps({"of": of, **read, **stands}))
        return
    for line in lines:
        print_text(line)
    _tell_taken_back(typed.taken_back, shown)
    at_ms = typed.at_ms
    as_of = "" if at_ms is None else f", as of {shown.units.local(at_ms // 1000).isoformat(' ')}"
    print_text(f"Kept in {path} as an entry of {of}{as_of}.")
    if state is None:
        print_text("With --config a forecast would be printed too.")
    else:
        for line in lines_by_hand(state, shown):
            print_text(line)
