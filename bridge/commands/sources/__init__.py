"""``clearwell sources``: compares the ways of making pure water, and what a litre costs."""

import json
import math
from pathlib import Path
from typing import Any

import click

from bridge.commands.shared.values import renamed_option
from bridge.errors import InputError, OutOfRangeError
from bridge.units import CONCENTRATION, VOLUME, Dimension

NEEDED = {
    ("feed", "solids"): "--feed",
    ("need", "per_day"): "--need",
    ("tariffs", "water"): "--water-price",
    ("tariffs", "energy_per_kwh"): "--energy-price",
}


@click.command("sources")
@click.option(
    "--config", type=click.Path(path_type=Path), metavar="FILE.toml", help="Feed, need, prices and ways."
)
@click.option("--feed", metavar="'N UNIT'", help="The feed's dissolved solids: ppm (if bare), mg/l or gpg.")
@click.option("--need", metavar="'N UNIT'", help="Water needed a day: l (if bare), ml, m3, us-gal or ft3.")
@click.option("--water-price", type=float, metavar="N", help="Price of a cubic metre of tap water.")
@click.option("--energy-price", type=float, metavar="N", help="Price of a kilowatt-hour.")
@click.option("--limit", type=float, metavar="PPM", help="Unfit from this value.  [default: 50]")
@click.option(
    "--target",
    type=float,
    metavar="PPM",
    help="Marginal from this value.  [default: 25, or half of a limit under 25]",
)
@renamed_option("--advice", "--target")
@click.option("--currency", metavar="WORD", help="A word for your money; nothing is converted.")
@click.option(
    "--all", "everything", is_flag=True, help="Print every way, every size, all notes and cautions."
)
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
def command(
    config: Path | None,
    feed: str | None,
    need: str | None,
    water_price: float | None,
    energy_price: float | None,
    limit: float | None,
    target: float | None,
    currency: str | None,
    everything: bool,
    as_json: bool,
) -> None:
    """Compare the ways to get pure water: tap, bought, distiller, membrane, cartridge, both, rain.

    Give --config FILE.toml (config/sources.toml is an example), or at least --feed, --need, --water-price and
    --energy-price. An option overrides the file. A value that is not stated has a usual one. The answer is
    short; with --all, numbered notes list the assumptions of every figure. Rain needs a roof, so it needs a
    file.
    """
    from bridge.commands.sources.case import make
    from bridge.commands.sources.file import checked, written

    values = {} if config is None else written(config)
    _put(values, "feed", "solids", _read("--feed", CONCENTRATION, feed))
    _put(values, "need", "per_day", _read("--need", VOLUME, need))
    _put(values, "tariffs", "water", _above_zero("--water-price", water_price, or_zero=True))
    if water_price is not None:
        _put(values, "tariffs", "water_per", "m3")
    _put(values, "tariffs", "energy_per_kwh", _above_zero("--energy-price", energy_price, or_zero=True))
    _put(values, "need", "limit_ppm", _above_zero("--limit", limit))
    _put(values, "need", "target_ppm", _above_zero("--target", target))
    if currency is not None:
        values["currency"] = currency
    if config is None:
        missing = [option for (name, key), option in NEEDED.items() if key not in values.get(name, {})]
        if missing:
            raise InputError(
                f"sources: missing here: {', '.join(missing)}; give --config FILE.toml, or --feed, --need, "
                "--water-price and --energy-price."
            )
    where = "sources" if config is None else str(config)
    table = checked(values, where)
    try:
        case = make(table, Path() if config is None else config.parent)
    except (InputError, OutOfRangeError) as error:
        raise InputError(f"{where}: {error}") from None
    if as_json:
        from bridge.commands.sources.notes import as_object

        click.echo(json.dumps(as_object(case), ensure_ascii=False, indent=1, allow_nan=False))
        return
    from bridge.commands.sources.text import lines, short_lines

    for line in lines(case) if everything else short_lines(case):
        click.echo(line)


def _put(values: dict[str, Any], table: str, key: str, value: object) -> None:
    """Set the value of an option, unless the file has no table there, which is refused later."""
    if value is not None and isinstance(values.setdefault(table, {}), dict):
        values[table][key] = value


def _read(option: str, dimension: Dimension, text: str | None) -> float | None:
    try:
        value = None if text is None else dimension.read(text)
    except InputError as error:
        raise InputError(f"sources: {option}: {error}") from None
    return _above_zero(option, value)


def _above_zero(option: str, value: float | None, or_zero: bool = False) -> float | None:
    if value is not None and not (math.isfinite(value) and (value > 0.0 or (or_zero and value == 0.0))):
        right = "zero or more" if or_zero else "above zero"
        raise InputError(f"sources: {option} is {value:g}; it must be {right}")
    return value
