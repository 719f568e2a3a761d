"""The tables about trays, the weather and the watering round."""

from collections.abc import Mapping, Sequence
from pathlib import Path

from pydantic import Field, model_validator

from bridge.config.plan import TraysPlan
from bridge.config.tables import Litres, Mistakes, Ppm, Table, from_zero, positive, similar, sound
from bridge.estimate.verdict import LIMIT_PPM, default_target_ppm
from bridge.tank.evapotranspiration import Site
from bridge.trays.round import RoundSettings
from bridge.trays.tray import TrayPlan

_OWN = TrayPlan("tray", "Tray", 1.0, 30.0, 60.0, "")
"""Only for the defaults."""


class TrayTable(Table):
    """``[tray.<id>]``: a tray on a bench. The order of the tables is the order of the round."""

    name: str | None = Field(default=None, min_length=1, description="what people call it")
    fed_from: str | None = Field(
        default=None,
        min_length=1,
        description="the id of the reservoir, purifier or shelf that its water comes from; needed if there "
        "are several",
    )
    area_m2: float = positive("the inside area in m², such as 0.5", ..., le=1000)
    kept_mm: float = positive("the depth of water that is kept in growth, in mm", 30.0, le=1000)
    rim_mm: float = positive("the depth at which it runs over, in mm", 60.0, le=2000)
    dormant_mm: float = positive("the depth in the dormant months, in mm", _OWN.dormant_mm, le=1000)
    dormant_months: list[int] = Field(
        default_factory=list, description="the months of dormancy as numbers, such as [11, 12, 1, 2]"
    )
    pots: int = Field(default=0, ge=0, le=10_000, description="the number of pots in it")
    pot_draw_l: Litres = from_zero(
        "what one pot draws on a warm day of 5 mm of reference evapotranspiration", _OWN.pot_draw_l
    )
    pot_holds_l: Litres = from_zero("the water that moss and soil of one pot hold", _OWN.pot_holds_l)
    drained: bool = Field(
        default=False, description="true if a hole or a pipe at the kept depth lets the rest run off"
    )
    covered: bool = Field(default=False, description="true if no rain falls into it")
    limit_ppm: Ppm = positive("the limit of its water in ppm", LIMIT_PPM)
    target_ppm: Ppm | None = positive("the ppm from which its water is only marginal")

    @model_validator(mode="after")
    def _sound(self) -> "TrayTable":
        sound(lambda: self.core("tray", ""))
        return self

    def core(self, ident: str, fed_from: str) -> TrayPlan:
        """Make the plan of this tray.

        Args:
            ident: Its id.
            fed_from: The id of its source, if the table has none.
        """
        return TrayPlan(
            ident=ident,
            name=self.name or ident.replace("-", " ").capitalize(),
            area_m2=self.area_m2,
            kept_mm=self.kept_mm,
            rim_mm=self.rim_mm,
            fed_from=self.fed_from or fed_from,
            pots=self.pots,
            pot_draw_l=self.pot_draw_l,
            pot_holds_l=self.pot_holds_l,
            drained=self.drained,
            covered=self.covered,
            limit_ppm=self.limit_ppm,
            target_ppm=default_target_ppm(self.limit_ppm) if self.target_ppm is None else self.target_ppm,
            dormant_mm=self.dormant_mm,
            dormant_months=tuple(self.dormant_months),
        )


class WeatherTable(Table):
    """``[weather]``: where the trays stand, and a file of the weather if there is one."""

    latitude_deg: float = Field(
        ge=-90, le=90, description="the latitude in degrees, negative on the southern hemisphere"
    )
    elevation_m: float = Field(default=0.0, ge=-500, le=9000, description="the height above the sea in m")
    file: str | None = Field(
        default=None,
        min_length=1,
        description="a CSV file with the columns date, highest_c, lowest_c, and if known rain_mm, "
        "humidity_percent, solar_mj_m2, wind_m_s",
    )
    temperature_of: str | None = Field(
        default=None,
        min_length=1,
        description="the id of the reservoir whose controller's temperature follows that of the air",
    )

    def core(self) -> Site:
        """Make the place."""
        return Site(self.latitude_deg, self.elevation_m)


class RoundTable(Table):
    """``[round]``: how the watering round is walked."""

    can_l: Litres = positive("the litres of a watering can", RoundSettings().can_l)
    every_days: float = positive("the days from one round to the next", RoundSettings().every_days, le=60)
    flush_weeks: float = positive("the weeks that a flush shall last", RoundSettings().flush_weeks, le=52)

    def core(self) -> RoundSettings:
        """Make the settings."""
        return RoundSettings(self.can_l, self.every_days, self.flush_weeks)


def trays_plan(
    tables: Mapping[str, TrayTable],
    weather: WeatherTable | None,
    walked: RoundTable,
    sources: Sequence[str],
    directory: Path,
    mistakes: Mistakes,
) -> TraysPlan | None:
    """Build the plan of the trays; None if there are none.

    Args:
        tables: The tables of the trays by id, in the order of the benches.
        weather: The table ``[weather]``.
        walked: The table ``[round]``.
        sources: The ids of reservoirs, purifiers and shelves.
        directory: The directory that relative paths start from.
        mistakes: Receives the mistakes.
    """
    if not tables:
        return None
    trays = []
    for ident, table in tables.items():
        if table.fed_from is None and len(sources) != 1:
            mistakes.add(
                ("tray", ident, "fed_from"), f"is missing; give the id of its water: {', '.join(sources)}"
            )
        elif table.fed_from is not None and table.fed_from not in sources:
            sentence = f"there is no such reservoir, purifier or shelf; {similar(table.fed_from, [*sources])}"
            mistakes.add(("tray", ident, "fed_from"), sentence, table.fed_from)
        else:
            trays.append(table.core(ident, sources[0]))
    if weather is None:
        return TraysPlan(tuple(trays), walked.core())
    if weather.temperature_of is not None and weather.temperature_of not in sources:
        mistakes.add(("weather", "temperature_of"), "there is no such reservoir", weather.temperature_of)
    file = None if weather.file is None else directory / weather.file
    return TraysPlan(tuple(trays), walked.core(), weather.core(), file, weather.temperature_of)
