"""``clearwell manual``: the pages of the manual, at the terminal."""

import shutil
from importlib.resources import files

import click

from bridge.display.text import plain_text

PAGES = {
    page.name.removesuffix(".md"): page
    for page in sorted((files("bridge") / "manual").iterdir(), key=lambda page: page.name)
    if page.name.endswith(".md")
}
"""Every page of the package by its topic."""
WIDEST = 100
"""Columns; longer lines are hard to read."""


@click.command("manual")
@click.argument("topic", required=False, type=click.Choice(list(PAGES)), metavar="[TOPIC]")
def command(topic: str | None) -> None:
    """Show a page of the manual, or without TOPIC the list of all pages.

    The text is wrapped to the width of the terminal and goes to the standard output, so that it can be read
    with a pager: clearwell manual faults | less
    """
    if topic is not None:
        width = min(shutil.get_terminal_size().columns, WIDEST)
        click.echo(plain_text(PAGES[topic].read_text("utf-8"), width), nl=False)
        return
    indent = max(map(len, PAGES)) + 2
    for name, page in PAGES.items():
        title = page.read_text("utf-8").partition("\n")[0].lstrip("# ")
        click.echo(f"{name:<{indent}}{title}")
