"""The terminal and files: lines that fit, a file written whole or not at all, columns of a CSV file. Shell.

Output for people is wrapped between words on a terminal. A pipe or a file gets each line whole, because
programs such as grep read whole lines.
"""

import csv
import math
import os
import shutil
import sys
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path
from typing import Any

import click

from bridge.display.text import folded, printable
from bridge.errors import ClearwellError, InputError

WIDEST = 100
"""Columns; longer lines are hard to read."""
NARROWEST = 40
_OWN_FIELDS = frozenset({"event", "exception", "level", "logger", "reservoir", "sentence", "timestamp"})
_USUAL_LEVELS = ("info", "debug")


def columns() -> int:
    """Return the columns for text: those of the terminal, from :data:`NARROWEST` to :data:`WIDEST`.

    Without a terminal they are those of the variable COLUMNS, or 80.
    """
    return max(NARROWEST, min(shutil.get_terminal_size((80, 24)).columns, WIDEST))


def fitted(text: str, *, to_terminal: bool) -> str:
    """Wrap every line of a text for a terminal; return it unchanged for anything else."""
    if not to_terminal:
        return text
    width = columns()
    return "\n".join(folded(line, width) for line in text.split("\n"))


def print_text(lines: str | Iterable[str]) -> None:
    """Print lines for people."""
    is_terminal = sys.stdout.isatty()
    for line in [lines] if isinstance(lines, str) else lines:
        click.echo(fitted(line, to_terminal=is_terminal))


def print_error(sentence: str) -> None:
    """Print a sentence on the standard error."""
    click.echo(fitted(sentence, to_terminal=sys.stderr.isatty()), err=True)


def sentence_of(entry: Mapping[str, Any]) -> str:
    """Write an entry of the daemon's log for a terminal: local time, reservoir, id and sentence.

    Args:
        entry: The fields of the entry; its time is ``timestamp``, its traceback ``exception``.
    """
    level = str(entry.get("level", "info"))
    head = f"{datetime.fromisoformat(entry['timestamp']).astimezone():%H:%M:%S}"
    urgent = "" if level in _USUAL_LEVELS else f"{level.upper()}: "
    about = ", ".join(str(entry[key]) for key in ("reservoir", "event") if entry.get(key))
    more = ", ".join(f"{key}: {value}" for key, value in entry.items() if key not in _OWN_FIELDS)
    text = ": ".join(part for part in (about, str(entry.get("sentence", "")), more) if part)
    line = folded(f"{head}  {urgent}{printable(text)}", columns())
    traceback = entry.get("exception")
    return f"{line}\n{traceback}" if traceback else line


def check_out(out: Path, log: Path, force: bool) -> None:
    """Check the name of a file to write.

    Args:
        out: The file.
        log: The log, which must not be overwritten.
        force: Whether an existing file may be replaced.

    Raises:
        InputError: The name is taken, impossible or that of the log.
    """
    if not out.parent.is_dir():
        raise InputError(f"--out {out}: there is no directory {out.parent}; create it or give another one")
    if out.is_dir():
        raise InputError(f"--out {out}: that is a directory; give the name of a file")
    if not out.exists():
        return
    belongs = (log, *(log.with_name(log.name + ending) for ending in ("-wal", "-shm", ".lock")))
    if any(one.exists() and out.samefile(one) for one in belongs):
        raise InputError(f"--out {out}: that is the log itself; give another name")
    if out.is_file() and not force:
        raise InputError(
            f"--out {out}: the file is there already; give another name, or --force to replace it"
        )


@contextmanager
def written_whole(out: Path) -> Iterator[Path]:
    """Yield the file to write. It gets the name ``out`` only when it is complete.

    Raises:
        ClearwellError: The file cannot be written; nothing is left behind.
    """
    # A device or a pipe is written to as it is.
    replaces = out.is_file() or not out.exists()
    target = out.resolve()
    part = target.with_name(f".{target.name}.{os.getpid()}.part") if replaces else target
    try:
        yield part
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


@dataclass(frozen=True, slots=True)
class Row:
    """One row: its place for messages, and its numbers in the order of the columns asked for."""

    place: str
    values: tuple[float, ...]
    day: date | None = None
    """The day in the column of days, if one was asked for."""


def read_columns(path: Path, names: Sequence[str], day: str | None = None) -> Iterator[Row]:
    """Iterate over the rows of a CSV file whose first line names the columns.

    Other columns and empty lines are ignored. Rows are counted from 1 after the line with the names.

    Args:
        path: The file.
        names: The columns of numbers to read.
        day: A column of days to read too.

    Raises:
        InputError: The file cannot be read or has no row, a column is missing or named twice, a value is
            missing, not a number, not finite or negative, or a day is not one.
    """
    every = names if day is None else (day, *names)
    try:
        with path.open(newline="", encoding="utf-8-sig") as file:
            lines = csv.reader(file, skipinitialspace=True)
            places = _places(path, next((line for line in lines if any(line)), []), every)
            number = 0
            for line in lines:
                if not any(cell.strip() for cell in line):
                    continue
                number += 1
                place = f"{path}, row {number} (line {lines.line_num})"
                on = None if day is None else _day(place, line, *places[0])
                numbers = places if day is None else places[1:]
                yield Row(place, tuple(_number(place, line, at, name) for at, name in numbers), on)
    except OSError as error:
        raise InputError(f"{path} cannot be read: {error.strerror}; give a CSV file.") from None
    except (UnicodeDecodeError, csv.Error):
        raise InputError(f"{path} is not a CSV file in UTF-8; its columns are {', '.join(every)}.") from None
    if number == 0:
        raise InputError(f"{path} has no rows; each reading needs a row under the line with the columns.")


def _places(path: Path, header: list[str], names: Sequence[str]) -> list[tuple[int, str]]:
    there = [cell.strip() for cell in header]
    if not there:
        raise InputError(f"{path} is empty; its first line names the columns: {','.join(names)}.")
    for name in names:
        if there.count(name) != 1:
            wrong = "is there more than once" if name in there else "is missing"
            raise InputError(
                f"{path}: column {name} {wrong}; the first line is {_short(','.join(there))!r} and has to "
                f"name {','.join(names)}."
            )
    return [(there.index(name), name) for name in names]


def _day(place: str, line: list[str], at: int, name: str) -> date:
    text = line[at].strip() if at < len(line) else ""
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise InputError(f"{place}: {name} is {_short(text)!r}; write a day as 2026-07-04.") from None


def _number(place: str, line: list[str], at: int, name: str) -> float:
    text = line[at].strip() if at < len(line) else ""
    if not text:
        raise InputError(f"{place}: {name} is missing; it must be a number of zero or more.")
    try:
        value = math.nan if "_" in text else float(text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise InputError(f"{place}: {name} is {_short(text)!r}; it must be a number with a decimal point.")
    if value < 0.0:
        raise InputError(f"{place}: {name} is {value:g}; it must be zero or more.")
    return value


def _short(text: str) -> str:
    return text if len(text) <= 60 else text[:57] + "..."
