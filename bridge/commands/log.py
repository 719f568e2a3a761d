"""``clearwell log``: reads the entries of the log as sentences for people, in the terminal.

Anyone who may send a command can put words into the log. Only printable characters reach the terminal, so
that no line can imitate another one.
"""

import json
import signal
import textwrap
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from bridge.commands.shared.configuration import (
    check_reservoirs,
    chosen,
    closed_pipe_is_an_end,
    reading,
    which_log,
    which_time,
)
from bridge.commands.shared.terminal import columns, print_error
from bridge.display.text import listed
from bridge.display.text import printable as printable
from bridge.history.records import (
    AlarmChange,
    AlarmRow,
    CalibrationRow,
    CartridgeRow,
    CommandRow,
    EntryRow,
    EventRow,
    FillRow,
    ForecastRow,
    Litres,
    LitresRow,
    SampleRow,
    UndoRow,
    when_ms,
)
from bridge.units import DisplayUnits, SolidsUnit, plain

if TYPE_CHECKING:
    from bridge.commands.shared.configuration import Shown
    from bridge.history.records import EntryRow, Kind, Stamp

KINDS = (
    "event",
    "alarm",
    "command",
    "cartridge",
    "calibration",
    "sample",
    "litres",
    "fill",
    "forecast",
    "undo",
)
FOLLOW_EVERY_S = 0.5
LATE_MS = 60_000
"""Events reach the file seconds after their time, so the last minute is read again."""


@click.command("log")
@which_log
@which_time
@click.option(
    "--kind",
    "kinds",
    multiple=True,
    metavar="KIND",
    type=click.Choice(KINDS),
    help=f"Only this kind; may be given several times: {', '.join(KINDS)}.",
)
@click.option("--reservoir", metavar="R", help="Only what concerns this reservoir.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object for each entry.")
@click.option("--follow", is_flag=True, help="Wait for new entries, until interrupted.")
def command(
    log_file: Path | None,
    config: Path | None,
    since: str | None,
    until: str | None,
    kinds: tuple[str, ...],
    reservoir: str | None,
    as_json: bool,
    follow: bool,
) -> None:
    """Read events, alarms, commands, cartridges, calibrations, samples and fills, the oldest first.

    T is a day such as 2026-06-01, a time such as 2026-06-01T14:30 or 2026-06-01T14:30+02:00 (UTC without an
    offset), or how long ago: 90m, 12h, 7d, 2w.

    With --log, times in the output are UTC. With --config they are local, with their offset from UTC, and
    quantities are in the units of its table [display]. With --json all is as recorded, in UTC.
    """
    if follow and until is not None:
        raise click.UsageError("--follow has no end, and --to is one: leave one of them out.")
    from bridge.commands.shared.configuration import shown_by
    from bridge.commands.shared.values import span_of
    from bridge.history.records import Kind
    from bridge.history.views import utc_text

    path = chosen(log_file, config)
    wanted = tuple(Kind(kind) for kind in dict.fromkeys(kinds))
    show = _json_line
    if not as_json:
        shown = None if config is None else shown_by(config)

        def show(row: "EntryRow") -> str:
            return _lines(row, shown)

    with closed_pipe_is_an_end():
        with reading(path) as reader:
            held = reader.span_ms()
            start, end = span_of(since, until, held, round(1000 * time.time()))
            if reservoir is not None:
                check_reservoirs(reader, path, (reservoir,), entries=True)
            nothing = True
            if not follow:
                for row in reader.events(start, end, kinds=wanted, reservoir=reservoir, undone=True):
                    click.echo(show(row))
                    nothing = False
        if follow:
            with _interrupted() as ended:
                for row in _following(path, start, wanted, reservoir, ended):
                    click.echo(show(row))
        elif nothing:
            span = f"from {utc_text(held[0])} to {utc_text(held[1])}"
            print_error(f"clearwell: nothing of this in the range; the log goes {span}.")


@contextmanager
def _interrupted() -> Iterator[threading.Event]:
    """Let an interrupt end the loop: the first one at the next row, the second one at once.

    The first one is a signal handler, because a KeyboardInterrupt that is raised during a clean-up is lost.
    """
    ended = threading.Event()

    def end(*_: object) -> None:
        signal.signal(signal.SIGINT, before)
        ended.set()

    before = signal.signal(signal.SIGINT, end)
    try:
        yield ended
    except KeyboardInterrupt:
        return
    finally:
        signal.signal(signal.SIGINT, before)


def _following(
    path: Path, start: int, kinds: "tuple[Kind, ...]", reservoir: str | None, ended: threading.Event
) -> "Iterator[EntryRow]":
    """Yield the entries from ``start`` on, then the new ones, each once.

    The log is opened anew each time, because a damaged log is set aside and a new one takes its name.
    """
    shown: set[Stamp] = set()
    while not ended.is_set():
        with reading(path) as reader:
            _, last = reader.span_ms()
            # Above every time in the log, because a clock that was set back leaves entries in the future.
            for row in reader.events(start, last + 1, kinds=kinds, reservoir=reservoir, undone=True):
                if ended.is_set():
                    return
                if row.stamp not in shown:
                    shown.add(row.stamp)
                    yield row
        start = max(start, last - LATE_MS)
        shown = {stamp for stamp in shown if stamp.utc_ms >= start}
        ended.wait(FOLLOW_EVERY_S)


def _lines(row: "EntryRow", shown: "Shown | None") -> str:
    """Format an entry for a terminal: the time, then the words, wrapped beside it."""
    from bridge.display.text import printable
    from bridge.history.records import KINDS as KIND_OF

    if shown is None:
        when = f"{datetime.fromtimestamp(row.stamp.utc_ms // 1000, UTC):%Y-%m-%d %H:%M:%S}"
        text = text_of(row)
    else:
        # The offset makes the hour at the end of summer time unique, and the text can be typed after --from.
        when = shown.units.local(row.stamp.utc_ms // 1000).isoformat(" ")
        text = text_of(row, shown.units, shown.factors.get(row.reservoir))
    indent = len(when) + 2
    kind = KIND_OF[type(row)].value
    where = f"{printable(row.reservoir)}, " if row.reservoir else ""
    width = columns()
    return textwrap.fill(
        f"{where}{kind}: {text}",
        width=max(width, indent + 20),
        initial_indent=f"{when}  ",
        subsequent_indent=" " * indent,
        break_long_words=False,
        break_on_hyphens=False,
    )


def _json_line(row: "EntryRow") -> str:
    from bridge.history.records import KINDS as KIND_OF
    from bridge.history.records import details
    from bridge.history.views import utc_text

    head = {
        "time": utc_text(row.stamp.utc_ms),
        "reservoir": row.reservoir,
        "kind": KIND_OF[type(row)].value,
    }
    return json.dumps({**head, **details(row)})


AS_RECORDED = DisplayUnits()
_CHANGES = {
    AlarmChange.CLEARED_UNACKNOWLEDGED: "cleared, not yet acknowledged",
    AlarmChange.UNSHELVED: "no longer shelved",
}
_LITRES = {
    Litres.MADE: "made",
    Litres.PUT: "put on the shelf",
    Litres.TAKEN: "taken from the shelf",
    Litres.LEFT: "counted on the shelf",
    Litres.GIVEN: "poured into the tray",
    Litres.FILLED: "needed to fill the tray to its mark",
    Litres.FLUSHED: "poured through the tray",
    Litres.EXCHANGED: "of the tray tipped out and replaced",
}


def text_of(row: EntryRow, units: DisplayUnits = AS_RECORDED, factor: float | None = None) -> str:
    """Return the text of an entry in one line of printable characters, without time, reservoir and kind.

    Args:
        row: The entry.
        units: The units in which quantities are shown. Recorded sentences are not changed.
        factor: The scale of the reservoir's ppm, for entries that do not hold it.
    """
    match row:
        case EventRow():
            text = _joined(row.event, row.sentence)
        case AlarmRow():
            what = f"{row.alarm.value} {_CHANGES.get(row.change, row.change.value)}"
            what += " (first-out)" if row.first_out else ""
            what += f" by {row.sender}" if row.sender else ""
            # The sentence is about the cause, and stands where the alarm was raised.
            text = _joined(what, row.sentence if row.change is AlarmChange.RAISED else "")
        case CommandRow():
            what = f"{row.what} from {row.sender or 'the bridge'}"
            text = f"{what}: accepted" if row.accepted else _joined(f"{what}: refused", row.refusal)
        case CartridgeRow(at_ms=at_ms):
            text = (f"changed to {row.name}" if row.name else "changed") + (
                f" by {row.sender}" if row.sender else ""
            )
            parts = []
            if row.treated_l is not None:
                parts.append(f"made {units.litres_as(row.treated_l, '.0f')}")
            if row.load_g is not None:
                parts.append(f"took out {row.load_g:.0f} g of dissolved solids")
            if row.exhausted is not None:
                parts.append("was exhausted" if row.exhausted else "was changed early")
            text += f"; the old one {listed(parts)}" if parts else ""
            text += _entered_later(at_ms, units)
        case CalibrationRow():
            text = (
                f"{row.cell} cell in {row.standard_us_cm:g} µS/cm at "
                f"{units.celsius_as(row.temperature_c, '.4g')}: constant "
                f"{row.cell_constant_per_cm:.4g} cm⁻¹ ± {row.uncertainty_percent:.2g} % (k = 2), "
                f"offset {row.offset_us:g} µS"
            )
            text = _joined(text, row.note)
        case SampleRow(at_ms=at_ms):
            text = _joined(_sample(row, units) + _entered_later(at_ms, units), row.note)
        case LitresRow(at_ms=at_ms):
            text = f"{units.litres_as(row.litres, '.4g')} {_LITRES[row.what]}{_entered_later(at_ms, units)}"
            text = _joined(text, row.note)
        case FillRow():
            text = _fill(row, units, factor)
        case UndoRow():
            taken = f"the {row.kind} of {units.local(row.undone_ms // 1000).isoformat(' ')} is taken back"
            text = _joined(taken, row.note)
        case ForecastRow():
            text = _forecast(row, units)
    return printable(text)


def _entered_later(at_ms: int | None, units: DisplayUnits) -> str:
    # With the offset, because the time beside it may be local or UTC.
    return "" if at_ms is None else f", at {units.local(at_ms // 1000).isoformat(' ')}"


def _sample(row: SampleRow, units: DisplayUnits) -> str:
    at = "" if row.temperature_c is None else f", taken at {units.celsius_as(row.temperature_c, '.4g')}"
    at += f", meter {row.meter}" if row.meter else ""
    conductivity = plain(row.conductivity_25_us_cm, ".4g")
    if units.solids is SolidsUnit.US_CM:
        # These people read conductivity, so the ppm is left out.
        band = plain(row.uncertainty_ppm / row.factor, ".2g")
        return f"{row.of}: {conductivity} ± {band} µS/cm at 25 °C{at}, {row.verdict}"
    band = plain(row.uncertainty_ppm, ".2g")
    return (
        f"{row.of}: {plain(row.dissolved_solids_ppm)} ± {band} ppm at a factor of {row.factor:g} "
        f"({conductivity} µS/cm at 25 °C{at}), {row.verdict}"
    )


def _fill(row: FillRow, units: DisplayUnits, factor: float | None) -> str:
    minutes = (when_ms(row) - row.started_ms) / 60_000
    volume = "an unknown volume" if row.volume_l is None else units.litres_as(row.volume_l, ".1f")
    text = f"{volume} in {minutes:.0f} min"
    text += "" if row.rinse_l is None else f", of rinse {units.litres_as(row.rinse_l, '.1f')}"
    text += "" if row.mean_ppm is None else f", on average {units.ppm_as(row.mean_ppm, factor, '.1f')}"
    return f"{text}; ended by {row.end}"


def _forecast(row: ForecastRow, units: DisplayUnits) -> str:
    parts = []
    if row.left_l is not None:
        parts.append(f"{units.litres_as(row.left_l, '.0f')} of product left")
    if row.left_days is not None:
        parts.append(f"{row.left_days:.0f} days left" + (", order now" if row.order_now else ""))
    if row.cover_days is not None:
        parts.append(f"the stored water lasts {row.cover_days:.0f} days")
    return "; ".join(parts)


def _joined(what: str, sentence: str) -> str:
    return f"{what}: {sentence}" if sentence else what
