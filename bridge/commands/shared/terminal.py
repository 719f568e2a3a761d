"""The width of the terminal, and lines that fit into it. Shell.

Output for people is wrapped between words on a terminal. A pipe or a file gets each line whole, because
programs such as grep read whole lines.
"""

import shutil
import sys
from collections.abc import Iterable

import click

from bridge.display.text import folded

WIDEST = 100
"""Columns; longer lines are hard to read."""
NARROWEST = 40


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
