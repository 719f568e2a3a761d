"""Lines and quantities for ``clearwell check``. Core."""

import textwrap
from dataclasses import dataclass

from bridge.units import DisplayUnits

_WIDTH = 100
Line = tuple[str, str]
"""A label and sentences."""


def wrapped(sentences: str, before: str) -> str:
    """Wrap sentences to a terminal's width; the first line begins with ``before``, the others with blanks."""
    return textwrap.fill(
        sentences,
        _WIDTH,
        initial_indent=before,
        subsequent_indent=" " * len(before),
        break_long_words=False,
        break_on_hyphens=False,
    )


@dataclass(frozen=True, slots=True)
class Units:
    """Shows the quantities of one reservoir in the units of the configuration."""

    units: DisplayUnits
    factor: float

    def litres(self, volume_l: float) -> str:
        """Show a volume, without decimals from 20 on."""
        return self.units.litres_as(volume_l, ".0f" if self.units.litres(volume_l).number >= 20.0 else ".1f")

    def ppm(self, ppm: float | None) -> str:
        """Show dissolved solids; an empty text for None."""
        return "" if ppm is None else self.units.ppm_as(ppm, self.factor, ".4g")

    def celsius(self, temperature_c: float) -> str:
        """Show a temperature."""
        return self.units.celsius_as(temperature_c, ".4g")


def people(units: DisplayUnits) -> str:
    """Name the units that people are shown."""
    money = f", money in {units.currency}" if units.currency else ""
    where = "of this machine" if units.zone is None else f"of {units.zone}"
    return (
        f"volumes in {units.volume.value}, temperatures in {units.temperature.value}, dissolved solids in "
        f"{units.solids.value}{money}, and the time {where} (table [display]). Published and kept values "
        "stay in L, °C, ppm and UTC."
    )


def span(seconds: float) -> str:
    """Show a duration in seconds, minutes or hours."""
    if seconds >= 7200.0:
        return f"{seconds / 3600.0:.4g} hours"
    return f"{seconds / 60.0:.4g} minutes" if seconds >= 120.0 else f"{seconds:g} seconds"


def listed(parts: list[str]) -> str:
    """Join words as in ``a, b and c``."""
    return " and ".join([", ".join(parts[:-1]), parts[-1]] if len(parts) > 1 else parts)
