"""``[display]``: the units, the money and the time zone in which people are shown things."""

import difflib
from collections.abc import Mapping
from typing import Annotated, Any, Literal
from zoneinfo import ZoneInfo, available_timezones

from pydantic import BeforeValidator, Field, model_validator

from bridge.settings.table import Table, refused
from bridge.units import DisplayUnits, SolidsUnit, TemperatureUnit, VolumeUnit

LONGEST_CURRENCY = 8


def _also(spellings: Mapping[str, str]) -> BeforeValidator:
    """Other ways to write a unit, for keyboards that lack its sign."""

    def read(value: Any) -> Any:
        return spellings.get(value, value) if isinstance(value, str) else value

    return BeforeValidator(read)


Volume = Annotated[Literal["L", "US gal"], _also({"l": "L", "us-gal": "US gal"})]
Temperature = Annotated[Literal["°C", "°F"], _also({"C": "°C", "F": "°F"})]
# The micro sign U+00B5 and the Greek letter U+03BC look the same, and keyboards have either.
Solids = Annotated[Literal["ppm", "µS/cm"], _also({"uS/cm": "µS/cm", "\u03bcS/cm": "µS/cm"})]


class DisplayTable(Table):
    """``[display]``: how people are shown things. What the bridge publishes and records does not change."""

    volume: Volume = Field(default="L", description="the unit of volumes")
    temperature: Temperature = Field(default="°C", description="the unit of temperatures")
    solids: Solids = Field(
        default="ppm", description="whether dissolved solids are shown, or the conductivity behind them"
    )
    currency: str = Field(
        default="",
        max_length=LONGEST_CURRENCY,
        pattern=r"^[^\s\x00-\x1f\x7f-\x9f]*$",
        description=f'a code or a sign for money of at most {LONGEST_CURRENCY} characters, such as "EUR"',
    )
    zone: str | None = Field(
        default=None,
        min_length=1,
        description='a time zone by its IANA name, such as "Europe/Rome"; without it, that of the machine',
    )

    def core(self) -> DisplayUnits:
        return DisplayUnits(
            VolumeUnit(self.volume),
            TemperatureUnit(self.temperature),
            SolidsUnit(self.solids),
            self.currency,
            self.zone,
        )

    @model_validator(mode="after")
    def _known_zone(self) -> "DisplayTable":
        if self.zone is not None and not _is_zone(self.zone):
            raise refused("zone", self.zone, _no_such_zone(self.zone))
        return self


def _is_zone(name: str) -> bool:
    try:
        ZoneInfo(name)
    except (OSError, ValueError, LookupError):
        # Besides a name that is not there: a folder of names, and a path that leads elsewhere.
        return False
    return True


def _no_such_zone(name: str) -> str:
    known = {zone.casefold(): zone for zone in available_timezones() if zone != "localtime"}
    if not known:
        return "cannot be looked up, as this machine has no table of time zones; install the package tzdata"
    # People know the town and forget the continent.
    towns = {key.rpartition("/")[2]: zone for key, zone in sorted(known.items())}
    wanted = name.casefold().replace(" ", "_")
    near = difflib.get_close_matches(wanted, known, 1, 0.75) or difflib.get_close_matches(
        wanted, towns, 1, 0.75
    )
    meant = f"did you mean '{(known | towns)[near[0]]}'?" if near else "it is a name such as 'Europe/Rome'"
    return f"there is no such time zone; {meant}"
