"""What people type into the page's forms, in the unit that stands beside them. Core.

A browser says with a figure in which unit it was asked for, so that no change of the setting can turn one
unit into the other on the way. Everything behind the page takes ppm on the reservoir's own scale.
"""

import re
from dataclasses import dataclass

from bridge.mqtt.properties import PROPERTIES, SAMPLE_MAX_PPM
from bridge.units import SolidsUnit

BY_HAND = frozenset(row.path for row in PROPERTIES if row.settable and row.unit == SolidsUnit.PPM.value)
"""The properties that take a measurement by hand."""
_NUMBER = re.compile(r"(\d+(\.\d*)?|\.\d+)([eE]-?\d+)?", re.ASCII)
_DIGITS = 10
"""Significant ones; more would only be those of a binary fraction."""


@dataclass(frozen=True, slots=True)
class Unfit:
    """Nothing is done; the sentence says what would have been right."""

    sentence: str


def in_ppm(path: str, text: str, unit: str, factor: float) -> str | Unfit:
    """The text as the property takes it: figures in µS/cm become ppm, all else stays for its own reader.

    :param path: the property, such as ``product/retest``.
    :param unit: in which the text counts; empty where the browser did not say, which is as the property has
        it.
    :param factor: the reservoir's scale, ppm for each µS/cm at 25 °C.
    """
    if unit == "" or (unit == SolidsUnit.PPM.value and path in BY_HAND):
        return text
    if unit != SolidsUnit.US_CM.value or path not in BY_HAND:
        return Unfit(f"The command {_excerpt(path)} was refused: it is not set in {_excerpt(unit)}.")
    ppm = factor * float(text) if _NUMBER.fullmatch(text) else -1.0
    if not 0.0 <= ppm <= SAMPLE_MAX_PPM:
        return Unfit(
            f"The command {path} was refused: {_excerpt(text)} is not a number of µS/cm from 0 to "
            f"{SAMPLE_MAX_PPM / factor:.0f}, with a point before the decimals."
        )
    return f"{ppm:.{_DIGITS}g}"


def _excerpt(text: str) -> str:
    return f"{text[:40]!a}..." if len(text) > 40 else f"{text!a}"
