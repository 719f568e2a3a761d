"""Numbers to small integers and back, and columns of integers to bytes.

A quantity that spans decades (a conductance from 0.05 to 20,000 µS) is kept to four significant decimal
digits: what the controller sent as 12.34 comes back as 12.34. The integer code counts such decimals in
order, 9000 to a decade, from one millionth up, so that close values have close codes and a column of them
is mostly small steps.
"""

import sys
from array import array
from collections.abc import Iterable, Sequence
from math import floor, log10

from bridge.errors import LogError

_POWERS = [10.0**e for e in range(40)]
_LOWEST: list[int] = [10 ** (digits - 1) for digits in range(1, 7)]
"""The smallest mantissa, by digits less one."""
_SMALLEST = 1e-6
_GREATEST = 1e30


def code_of(value: float, digits: int = 4) -> int:
    """The code of a finite number at 2 to 6 significant digits; magnitudes under 1e-6 give 0, over 1e30 are
    cut there."""
    size = abs(value)
    if size < _SMALLEST:
        return 0
    if size > _GREATEST:
        size = _GREATEST
    decade = floor(log10(size))
    exponent = decade - digits + 1
    lowest = _LOWEST[digits - 1]
    mantissa = round(size / _POWERS[exponent] if exponent >= 0 else size * _POWERS[-exponent])
    if mantissa >= 10 * lowest:
        mantissa, decade = lowest, decade + 1
    elif mantissa < lowest:
        mantissa = lowest
    code = (decade + 6) * 9 * lowest + mantissa - lowest + 1
    return code if value > 0 else -code


def value_of(code: int, digits: int = 4) -> float:
    """The number a code stands for, as the float nearest to its decimal."""
    if code == 0:
        return 0.0
    lowest = _LOWEST[digits - 1]
    decade, mantissa = divmod(abs(code) - 1, 9 * lowest)
    exponent = decade - 6 - digits + 1
    mantissa += lowest
    size = mantissa * _POWERS[exponent] if exponent >= 0 else mantissa / _POWERS[-exponent]
    return size if code > 0 else -size


def pack_column(numbers: Sequence[int]) -> bytes:
    """A column of signed integers as a width in bytes and that many planes, low bytes first.

    Planes lie apart because the high ones of a column of small steps are all alike, and compress to nothing.
    The integers must fit in 32 bits signed.
    """
    folded = array("I", [(n << 1) if n >= 0 else ~(n << 1) for n in numbers])
    top = max(folded, default=0)
    width = 0 if top == 0 else 1 if top < 1 << 8 else 2 if top < 1 << 16 else 4
    if sys.byteorder == "big":
        folded.byteswap()
    flat = folded.tobytes()
    return bytes([width]) + b"".join(flat[plane::4] for plane in range(width))


class ColumnReader:
    """Takes columns off a byte string in the order they were packed."""

    def __init__(self, body: bytes) -> None:
        self._body = body
        self._at = 0

    def take(self, length: int) -> bytes:
        """The next ``length`` bytes; :class:`LogError` when there are not so many."""
        part = self._body[self._at : self._at + length]
        if len(part) != length:
            raise LogError("A packed record in the log ends too early: that part of the file is damaged.")
        self._at += length
        return part

    def column(self, count: int) -> list[int]:
        """The next column of ``count`` signed integers."""
        width = self.take(1)[0]
        if width == 0:
            return [0] * count
        flat = bytearray(4 * count)
        for plane in range(width):
            flat[plane::4] = self.take(count)
        folded = array("I", bytes(flat))
        if sys.byteorder == "big":
            folded.byteswap()
        return [(n >> 1) if not n & 1 else ~(n >> 1) for n in folded]


def steps(numbers: Sequence[int]) -> list[int]:
    """Each number less the one before it; the first as it is."""
    return [now - before for now, before in zip(numbers, (0, *numbers), strict=False)]


def sums(numbers: Iterable[int]) -> list[int]:
    """The inverse of :func:`steps`."""
    total = 0
    out = []
    for number in numbers:
        total += number
        out.append(total)
    return out
