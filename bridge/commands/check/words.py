"""Words and quantities of what ``clearwell check`` explains. Core."""

import textwrap
from dataclasses import dataclass

from bridge.units import DisplayUnits

_WIDTH = 100
Line = tuple[str, str]
"""What it is about, and sentences on it."""


def wrapped(sentences: str, before: str) -> str:
    """Lines of a terminal's width, with ``before`` before the first and blanks before the others."""
    return textwrap.fill(
        sentences,
        _WIDTH,
        initial_indent=before,
        subsequent_indent=" " * len(before),
        break_long_words=False,
        break_on_hyphens=False,
    )


@dataclass(frozen=True, slots=True)
class Told:
    """Quantities of one reservoir as people are told them."""

    units: DisplayUnits
    factor: float

    def litres(self, volume_l: float) -> str:
        """A volume, whole from twenty on."""
        return self.units.litres_as(volume_l, ".0f" if self.units.litres(volume_l).number >= 20.0 else ".1f")

    def ppm(self, ppm: float | None) -> str:
        """Dissolved solids; an empty text where there are none to tell of."""
        return "" if ppm is None else self.units.ppm_as(ppm, self.factor, ".4g")

    def celsius(self, temperature_c: float) -> str:
        """A temperature."""
        return self.units.celsius_as(temperature_c, ".4g")


def people(units: DisplayUnits) -> str:
    """In what units people are shown things."""
    money = f", money in {units.currency}" if units.currency else ""
    where = "of this machine" if units.zone is None else f"of {units.zone}"
    return (
        f"volumes in {units.volume.value}, temperatures in {units.temperature.value}, dissolved solids in "
        f"{units.solids.value}{money}, and the time {where} (table [display]). What is published and kept "
        "stays in L, °C, ppm and UTC."
    )


def span(seconds: float) -> str:
    """A time in the unit that suits it."""
    if seconds >= 7200.0:
        return f"{seconds / 3600.0:.4g} hours"
    return f"{seconds / 60.0:.4g} minutes" if seconds >= 120.0 else f"{seconds:g} seconds"


def listed(parts: list[str]) -> str:
    """``a, b and c``."""
    return " and ".join([", ".join(parts[:-1]), parts[-1]] if len(parts) > 1 else parts)
