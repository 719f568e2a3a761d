"""How each answer of ``clearwell setup`` is read and checked beside the answers before it. Core.

Every reader takes the answers so far and a text, and returns the answers with the new one. It raises an
:class:`InputError` that says what would be right; the question puts its key and the text in front.
"""

import re
from collections.abc import Callable
from dataclasses import replace
from enum import Enum
from typing import TypeVar

from bridge.commands.setup.answers import (
    CELL,
    FLOW,
    FRACTION,
    LENGTH,
    MASS_G,
    PER_CENT,
    PULSES,
    VOLUME,
    Answers,
    LevelKind,
    Quantity,
    UnitSystem,
    slug,
    solids,
)
from bridge.errors import InputError
from bridge.purifier.cartridge import Kind
from bridge.units import CENTIMETRE, INCH, MASS
from bridge.water.conductivity import LARGEST_CONSTANT_PER_CM, SMALLEST_CONSTANT_PER_CM
from bridge.water.measurement import DEFAULT_FACTOR

FACTOR = DEFAULT_FACTOR
"""The scale that the file is written on, in ppm for each µS/cm."""
CLEARANCE_M = 0.005
"""The least difference between two depths that must differ. A rule of our own."""
SMALLEST_M, LARGEST_M = 0.05, 10.0
UNKNOWN, NONE, CELL_FITTED = "unknown", "none", "cell"

E = TypeVar("E", bound=Enum)
Reader = Callable[[Answers, str], Answers]


def word(kind: type[E], text: str) -> E:
    """Read one word of a closed set."""
    words = [one.value for one in kind]
    folded = "-".join(text.casefold().split())
    if folded in words:
        return kind(folded)
    raise InputError(f"must be one of {', '.join(words)}")


def yes(text: str) -> bool:
    """Read yes or no."""
    folded = text.casefold()
    if folded in ("yes", "y", "no", "n"):
        return folded.startswith("y")
    raise InputError("must be yes or no")


def between(value: float, low: float, high: float, quantity: Quantity) -> float:
    """Refuse a value outside its range; the ends are stated in the base unit."""
    if low <= value <= high:
        return value
    raise InputError(f"must be from {low:g} to {high:g} {quantity.base.symbol}".rstrip())


def _length(answers: Answers, metres: float) -> str:
    """Show a length in the person's own unit."""
    unit = INCH if answers.units is UnitSystem.US else CENTIMETRE
    return f"{unit.from_base(metres):.4g} {unit.symbol}"


def size(key: str) -> Reader:
    """Return the reader of an inside dimension."""

    def read(answers: Answers, text: str) -> Answers:
        metres = LENGTH.read(text, answers.units)
        if not SMALLEST_M <= metres <= LARGEST_M:
            low, high = _length(answers, SMALLEST_M), _length(answers, LARGEST_M)
            raise InputError(
                f"is {_length(answers, metres)}; an inside dimension must be from {low} to {high}"
            )
        return _with_metres(answers, key, metres)

    return read


def depth(key: str) -> Reader:
    """Return the reader of a depth, which must fit between those typed before it."""

    def read(answers: Answers, text: str) -> Answers:
        metres = LENGTH.read(text, answers.units)
        low_m, high_m = _room_for(answers, key)
        if not low_m <= metres <= high_m:
            raise InputError(
                f"is {_length(answers, metres)}; beside the other answers it must be from "
                f"{_length(answers, low_m)} to {_length(answers, high_m)}"
            )
        return _with_metres(answers, key, metres)

    return read


def _room_for(answers: Answers, key: str) -> tuple[float, float]:
    """Return the range of a depth, in which the depths that are asked later still fit."""
    known, height_m = answers.metres, answers.height_m
    sensor_low_m = known.get("sensor_low", 0.0)
    # Without switches, the level sensor must see the end of a fill.
    top_m = known["sensor_high"] if answers.level is LevelKind.SENSOR and "sensor_high" in known else height_m
    match key:
        case "sensor_low":
            return 0.0, height_m - 3 * CLEARANCE_M
        case "sensor_high":
            return sensor_low_m + 3 * CLEARANCE_M, height_m
        case "start_at":
            return sensor_low_m + CLEARANCE_M, top_m - 2 * CLEARANCE_M
        case _:
            return known["start_at"] + CLEARANCE_M, top_m - CLEARANCE_M


def _with_metres(answers: Answers, key: str, metres: float) -> Answers:
    return replace(answers, metres={**answers.metres, key: metres})


def sensor_reading(key: str, other: str | None) -> Reader:
    """Return the reader of the level sensor's fraction at one end of its range."""

    def read(answers: Answers, text: str) -> Answers:
        # Outside this range the bridge reports a broken or a shorted wire.
        value = between(FRACTION.read(text, answers.units), 0.01, 0.99, FRACTION)
        if other is not None and abs(value - answers.reads[other]) < 0.01:
            raise InputError(f"must differ from {other} = {answers.reads[other]:g} by at least 0.01")
        return replace(answers, reads={**answers.reads, key: value})

    return read


def name(answers: Answers, text: str) -> Answers:
    """Read the reservoir's name."""
    if not slug(text) or len(text) > 40:
        raise InputError("must have a plain letter or digit, and at most 40 characters, such as 'Barrel'")
    return replace(answers, name=text)


def rating(answers: Answers, text: str) -> Answers:
    """Read the rating; its unit depends on the kind of purifier."""
    if text.casefold() == UNKNOWN:
        return answers
    try:
        match answers.purifier:
            case Kind.MEMBRANE:
                value = between(PER_CENT.read(text, answers.units), 50.0, 99.9, PER_CENT)
                return replace(answers, rejection_percent=value)
            case Kind.DISTILLER:
                return replace(answers, scale_g=between(MASS_G.read(text, answers.units), 0.1, 1e5, MASS_G))
            case Kind.EXCHANGE:
                return _capacity(answers, text)
    except InputError as error:
        raise InputError(f"{error}; if no label has it, write '{UNKNOWN}'") from None


def _capacity(answers: Answers, text: str) -> Answers:
    unit = re.sub(r"^[\d\s.,/]+", "", text)
    if not unit:
        raise InputError("the unit is missing; write litres or grams, such as '1200 L' or '300 grain'")
    if any(one.is_written(unit) for one in MASS.units):
        return replace(answers, takes_up_g=between(MASS_G.read(text, answers.units), 0.1, 1e5, MASS_G))
    if any(one.is_written(unit) for one in VOLUME.dimension.units):
        return replace(answers, treats_l=between(VOLUME.read(text, answers.units), 1.0, 1e6, VOLUME))
    raise InputError(f"'{unit}' is not a unit of volume or mass; write L, us-gal, g, kg or grain")


def rating_of(answers: Answers, text: str) -> Answers:
    """Read the feed for which a rating in litres is stated."""
    of = solids(FACTOR)
    return replace(answers, treats_of_ppm=between(of.read(text, answers.units), 1.0, 10_000.0, of))


def delivers(answers: Answers, text: str) -> Answers:
    """Read the greatest flow of the purifier."""
    return replace(answers, delivers_l_min=between(FLOW.read(text, answers.units), 0.001, 100.0, FLOW))


def feed(answers: Answers, text: str) -> Answers:
    """Read the dissolved solids of the feed, or that a cell measures them."""
    if text.casefold() in (UNKNOWN, CELL_FITTED):
        return replace(answers, feed_cell=text.casefold() == CELL_FITTED)
    of = solids(FACTOR)
    try:
        ppm = between(of.read(text, answers.units), 0.1, 10_000.0, of)
    except InputError as error:
        raise InputError(f"{error}, or '{CELL_FITTED}' or '{UNKNOWN}'") from None
    return replace(answers, feed_ppm=ppm)


def cell_constant(answers: Answers, text: str) -> float:
    """Read a cell constant."""
    value = CELL.read(text, answers.units)
    return between(value, SMALLEST_CONSTANT_PER_CM, LARGEST_CONSTANT_PER_CM, CELL)


def pulses(answers: Answers, text: str) -> Answers:
    """Read the flow sensor's pulses."""
    if text.casefold() == NONE:
        return answers
    try:
        value = between(PULSES.read(text, answers.units), 1.0, 1e5, PULSES)
    except InputError as error:
        raise InputError(f"{error}; without a flow sensor, write '{NONE}'") from None
    return replace(answers, pulses_per_l=value)


def port(answers: Answers, text: str) -> Answers:
    """Read the controller's device path."""
    if not re.fullmatch(r"/(?!.*//)\S*[^\s/]", text):
        raise InputError(
            "must be the path of a device, such as '/dev/serial/by-id/usb-controller-if00'; "
            "the names of Windows and bare names are not paths"
        )
    return replace(answers, port=text)


def broker(answers: Answers, text: str) -> Answers:
    """Read host and port of the broker."""
    if text.casefold() == NONE:
        return answers
    if "://" in text:
        raise InputError(f"must be a name or an address without '{text.split('://')[0]}://', or '{NONE}'")
    host, colon, written = text, "", ""
    if text.startswith("["):
        host, _, rest = text[1:].partition("]")
        colon, written = rest[:1], rest[1:]
    elif text.count(":") == 1:
        host, colon, written = text.partition(":")
    port = None
    if colon:
        if not re.fullmatch(r"[0-9]{1,5}", written) or not 1 <= int(written) <= 65535:
            raise InputError(
                "the part after the colon must be a port from 1 to 65535, such as 'localhost:1883'"
            )
        port = int(written)
    if not re.fullmatch(r"[A-Za-z0-9._:-]+", host):
        raise InputError(f"must be a name or an address, such as 'localhost' or '192.168.1.10', or '{NONE}'")
    return replace(answers, broker=(host, port))


def encryption(answers: Answers, text: str) -> Answers:
    """Read whether the broker needs TLS."""
    if text.startswith("/"):
        return replace(answers, broker_tls=True, broker_ca=text)
    try:
        return replace(answers, broker_tls=yes(text))
    except InputError:
        raise InputError("must be yes, no, or the path of the authority's certificate") from None
