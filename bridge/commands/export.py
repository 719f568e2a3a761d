"""``clearwell export``: the log as CSV or SenML."""

import os
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, TextIO

import click

from bridge.commands.shared.log_file import (
    Bar,
    check_reservoirs,
    chosen,
    closed_pipe_is_an_end,
    reading,
    which_log,
    which_time,
)
from bridge.commands.shared.terminal import print_error, print_text
from bridge.errors import ClearwellError, InputError

if TYPE_CHECKING:
    from bridge.history.export import Wanted
    from bridge.history.reader import Reader
    from bridge.history.records import Series

STDOUT = Path("-")


@click.command("export")
@which_log
@click.option(
    "--out", required=True, type=click.Path(path_type=Path), help="Where to; - is the standard output."
)
@click.option(
    "--format", "form", required=True, type=click.Choice(["csv", "senml"]), help="CSV, or SenML as JSON."
)
@which_time
@click.option(
    "--grain",
    type=click.Choice(["raw", "minute", "hour"]),
    help="Every reading, or roll-ups with min, mean, max and count.  [default: minute]",
)
@click.option(
    "--reservoir", "reservoirs", multiple=True, metavar="R", help="Only this one; may be given several times."
)
@click.option(
    "--series", "names", multiple=True, metavar="S", help="Only this one; may be given several times."
)
@click.option("--events", is_flag=True, help="Events, alarms, commands and the like instead of readings.")
@click.option("--force", is_flag=True, help="Replace the file if it is there.")
def command(
    log_file: Path | None,
    config: Path | None,
    out: Path,
    form: str,
    since: str | None,
    until: str | None,
    grain: str | None,
    reservoirs: tuple[str, ...],
    names: tuple[str, ...],
    events: bool,
    force: bool,
) -> None:
    """Write the log as CSV (RFC 4180) or SenML (RFC 8428), also while the daemon writes it.

    T is a day such as 2026-06-01, a time such as 2026-06-01T14:30 or 2026-06-01T14:30+02:00 (UTC without an
    offset), or how long ago: 90m, 12h, 7d, 2w. Times in the output are UTC.

    S is conductance, temperature, conductivity-25, product-ppm, uncertainty, feed-ppm, volume, reservoir-ppm
    or throughput.

    Raw readings are kept for days, minutes and hours for years. The file appears under its name when it is
    whole.
    """
    if events and (grain is not None or names):
        raise click.UsageError("--events are neither readings nor rolled up: leave out --grain and --series.")
    from bridge.commands.shared.values import span_of
    from bridge.history.export import Grain, Wanted

    path = chosen(log_file, config)
    _check_out(out, path, force)
    chosen_series = _series(names)
    reservoirs = tuple(dict.fromkeys(reservoirs))
    with closed_pipe_is_an_end(), reading(path) as reader:
        held = reader.span_ms()
        start, end = span_of(since, until, held, round(1000 * time.time()))
        check_reservoirs(reader, path, reservoirs, entries=events)
        wanted = Wanted(start, end, Grain(grain or "minute"), reservoirs, chosen_series)
        bar = Bar("export", to_terminal=out == STDOUT and sys.stdout.isatty())
        with _opened(out) as sheet, bar:
            count = (
                _events(path, sheet, form, wanted, bar) if events else _rows(reader, sheet, form, wanted, bar)
            )
        _account(count, out, wanted, held, raw=wanted.grain is Grain.RAW and not events)


def _rows(reader: "Reader", out: TextIO, form: str, wanted: "Wanted", bar: Bar) -> int:
    from bridge.history.export import export_csv, export_senml

    return (export_csv if form == "csv" else export_senml)(reader, out, wanted, bar)


def _events(path: Path, out: TextIO, form: str, wanted: "Wanted", bar: Bar) -> int:
    from bridge.history.export import export_events_csv, export_events_senml
    from bridge.history.reader import NarrowedReader

    write = export_events_csv if form == "csv" else export_events_senml
    with NarrowedReader(path, wanted.reservoirs, bar) as reader:
        return write(reader, out, wanted.start, wanted.end)


def _series(names: tuple[str, ...]) -> "tuple[Series, ...]":
    from bridge.history.records import Series

    known = {one.name.lower().replace("_", "-"): one for one in Series}
    for name in names:
        if name not in known:
            raise InputError(f"--series {name}: there is no such series; there are {', '.join(known)}")
    return tuple(known[name] for name in dict.fromkeys(names)) or tuple(Series)


def _check_out(out: Path, log: Path, force: bool) -> None:
    if out == STDOUT or not out.exists():
        if not out.parent.is_dir():
            raise InputError(
                f"--out {out}: there is no directory {out.parent}; create it or give another one"
            )
        return
    if out.is_dir():
        raise InputError(f"--out {out}: that is a directory; give the name of a file")
    belongs = (log, *(log.with_name(log.name + ending) for ending in ("-wal", "-shm", ".lock")))
    if any(one.exists() and out.samefile(one) for one in belongs):
        raise InputError(f"--out {out}: that is the log itself; give another name")
    if out.is_file() and not force:
        raise InputError(
            f"--out {out}: the file is there already; give another name, or --force to replace it"
        )


@contextmanager
def _opened(out: Path) -> Iterator[TextIO]:
    """The sheet to write on. A file gets its name when it is whole: half an export must not look like one."""
    if out == STDOUT:
        with open(sys.stdout.fileno(), "w", encoding="utf-8", newline="", closefd=False) as sheet:
            yield sheet
        return
    # A device or a pipe is written to as it is.
    replaces = out.is_file() or not out.exists()
    target = out.resolve()
    part = target.with_name(f".{target.name}.{os.getpid()}.part") if replaces else target
    try:
        with part.open("w", encoding="utf-8", newline="") as sheet:
            yield sheet
        if replaces:
            part.replace(target)
    except BrokenPipeError:
        raise
    except OSError as error:
        raise ClearwellError(
            f"{out}: cannot be written ({error.strerror}); nothing was left there"
        ) from error
    finally:
        if replaces:
            part.unlink(missing_ok=True)


def _account(count: int, out: Path, wanted: "Wanted", held: tuple[int, int], *, raw: bool) -> None:
    """What was written, for a person; nothing on the standard output where the export itself went."""
    from bridge.history.views import utc_text

    if count == 0:
        hint = " Raw readings are kept for days only; try --grain minute." if raw else ""
        span = f"from {utc_text(held[0])} to {utc_text(held[1])}"
        print_error(f"clearwell: nothing in this range; the log goes {span}.{hint}")
    elif out != STDOUT:
        print_text(f"{count} rows from {utc_text(wanted.start)} to {utc_text(wanted.end)} in {out}")
