"""What can be typed behind ``clearwell sample``: the reading, what it is judged by, and what it is of."""

from collections.abc import Callable
from typing import Any, TypeVar

import click

from bridge.commands.shared.values import as_solids, in_celsius, in_litres, renamed_option

F = TypeVar("F", bound=Callable[..., Any])

MOST_LITRES = 100_000.0
MOST_PPM = 100_000.0
"""More is a slip of the hand."""

_OPTIONS = (
    click.option("--conductivity", type=float, metavar="µS/cm", help="The reading of a conductivity meter."),
    click.option(
        "--conductance", type=float, metavar="µS", help="The reading of a bare cell; with --cell-constant."
    ),
    click.option("--cell-constant", type=float, metavar="cm⁻¹", help="The constant of that cell, in cm⁻¹."),
    click.option(
        "--meter-ppm",
        type=float,
        metavar="N",
        help="What a ppm-only pocket meter shows; with --meter-factor.",
    ),
    click.option(
        "--meter-factor", type=float, metavar="F", help="That meter's own factor, often 0.5 or 0.7."
    ),
    click.option(
        "--ppm", type=float, metavar="N", help="What a meter on the scale used here (--factor) shows."
    ),
    click.option("--temperature", type=in_celsius(), metavar="°C", help="Temperature of the water."),
    click.option(
        "--method",
        type=click.Choice(["natural", "pure", "linear", "off"]),
        help="How the reading is brought to 25 °C.  [default: natural]",
    ),
    click.option("--compensated", is_flag=True, help="The meter has brought the reading to 25 °C already."),
    click.option(
        "--factor",
        type=float,
        help="The scale of the ppm here.  [default: that of the configuration, or 0.5]",
    ),
    click.option(
        "--limit",
        type=as_solids(above=True),
        metavar="ppm",
        help="Unsuitable from here.  [default: that of the configuration, or 50]",
    ),
    click.option(
        "--target",
        type=as_solids(),
        metavar="ppm",
        help="Marginal from here.  [default: that of the configuration, or 25, or half of a limit under 25]",
    ),
    renamed_option("--advice", "--target"),
    click.option(
        "--of",
        metavar="WORD",
        help="What it is of: rain, jug, tray, feed, reservoir, what is kept by hand, or a name of yours.",
    ),
    click.option("--reservoir", metavar="ID", help="The reservoir it belongs to, where the log has several."),
    click.option("--note", default="", help="A few words to keep with it."),
    click.option(
        "--tray-litres",
        type=in_litres(),
        metavar="L",
        help="With --of tray: the water that stands in the tray.",
    ),
    click.option(
        "--given",
        type=as_solids(),
        metavar="ppm",
        help="With --of tray: the water it is given.  [default: what the reservoir holds, by the log]",
    ),
    click.option(
        "--litres",
        type=in_litres(0.0, MOST_LITRES),
        metavar="L",
        help="Kept by hand: the litres that it made, or that were put on the shelf.",
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
        help="Kept by hand: the litres that stand on the shelf, counted.",
    ),
    click.option(
        "--feed-ppm",
        type=as_solids(MOST_PPM),
        metavar="N",
        help="Kept by hand: what goes into the purifier, by a meter on the scale used here.",
    ),
    click.option(
        "--changed",
        type=click.Choice(["exhausted", "early"]),
        help="Kept by hand: the cartridge was changed (or the boiler descaled): it had given out, or early.",
    ),
    click.option(
        "--at",
        metavar="TIME",
        help="When it was so, if not now: 2026-07-04T08:00, local time unless an offset stands there.",
    ),
)


def sample_options(command: F) -> F:
    """The options, in the order in which help shows them."""
    for option in reversed(_OPTIONS):
        command = option(command)
    return command
