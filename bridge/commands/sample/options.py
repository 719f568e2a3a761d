"""The options of ``clearwell sample``."""

from collections.abc import Callable
from typing import Any, TypeVar

import click

from bridge.commands.shared.values import as_solids, in_celsius, in_litres, renamed_option

F = TypeVar("F", bound=Callable[..., Any])

MOST_LITRES = 100_000.0
MOST_PPM = 100_000.0
"""Greater values are typing mistakes."""

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
        help="What was sampled: rain, jug, tray, feed, reservoir, an id kept by hand, or your own word.",
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
