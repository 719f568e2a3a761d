"""The width of the terminal, and lines that fit into it. Shell.

Output for people is wrapped between words on a terminal. A pipe or a file gets each line whole, because
programs such as grep read whole lines.
"""

import shutil
import sys
from collections.abc import Iterable, Mapping
from datetime import datetime
from typing import Any

import click

from bridge.display.text import folded, printable

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
