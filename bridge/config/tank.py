"""The tables ``shape`` and ``level`` of a reservoir in the configuration."""

from abc import ABC, abstractmethod
from typing import Annotated, Literal

from pydantic import Field, model_validator

from bridge.config.tables import Table, fraction, from_zero, given, optional, positive, refused, sound
from bridge.tank import shapes
from bridge.tank.level_sensor import LevelSensor, LevelSensorTable, LevelSettings

Pair = Annotated[list[float], Field(min_length=2, max_length=2)]


class _ShapeTable(Table, ABC):
    @abstractmethod
    def core(self) -> shapes.Shape:
        """Make the shape."""

    @model_validator(mode="after")
    def _sound(self) -> "_ShapeTable":
        sound(self.core)
        return self


class UprightCylinderTable(_ShapeTable):
    """``shape`` with ``kind = "upright-cylinder"``."""

    kind: Literal["upright-cylinder"]
    diameter_m: float = positive("the inside diameter in metres", ...)
    height_m: float = positive("the inside height in metres, up to the brim", ...)

    def core(self) -> shapes.Shape:
        """Make the shape."""
        return shapes.UprightCylinder(self.diameter_m, self.height_m)


class HorizontalCylinderTable(_ShapeTable):
    """``shape`` with ``kind = "horizontal-cylinder"``."""

    kind: Literal["horizontal-cylinder"]
    diameter_m: float = positive("the inside diameter in metres", ...)
    length_m: float = positive("the inside length in metres", ...)

    def core(self) -> shapes.Shape:
        """Make the shape."""
        return shapes.HorizontalCylinder(self.diameter_m, self.length_m)


class BoxTable(_ShapeTable):
    """``shape`` with ``kind = "box"``."""

    kind: Literal["box"]
    length_m: float = positive("the inside length in metres", ...)
    width_m: float = positive("the inside width in metres", ...)
    height_m: float = positive("the inside height in metres, up to the brim", ...)

    def core(self) -> shapes.Shape:
        """Make the shape."""
        return shapes.Box(self.length_m, self.width_m, self.height_m)


class TaperedBarrelTable(_ShapeTable):
    """``shape`` with ``kind = "tapered-barrel"``."""

    kind: Literal["tapered-barrel"]
    bottom_diameter_m: float = positive("the inside diameter at the bottom in metres", ...)
    top_diameter_m: float = positive("the inside diameter at the brim in metres", ...)
    height_m: float = positive("the inside height in metres, up to the brim", ...)

    def core(self) -> shapes.Shape:
        """Make the shape."""
        return shapes.TaperedBarrel(self.bottom_diameter_m, self.top_diameter_m, self.height_m)


class StrappingTableTable(_ShapeTable):
    """``shape`` with ``kind = "strapping-table"``."""

    kind: Literal["strapping-table"]
    points: list[Pair] = Field(
        description="pairs of depth in metres and volume in litres, from [0, 0] up to the brim"
    )

    def core(self) -> shapes.Shape:
        """Make the shape."""
        return shapes.StrappingTable(tuple((depth_m, volume_l) for depth_m, volume_l in self.points))


ShapeTable = Annotated[
    UprightCylinderTable | HorizontalCylinderTable | BoxTable | TaperedBarrelTable | StrappingTableTable,
    Field(discriminator="kind"),
]


_SENSOR = LevelSensor(LevelSensorTable(((0.05, 0.0), (0.95, 1.0))))
_LEVEL = LevelSettings(shapes.UprightCylinder(1.0, 1.0), low_switch=True, full_switch=True)
"""Only for the defaults."""


class LevelSensorSection(Table):
    """``level.sensor``: a continuous level sensor."""

    table: list[Pair] = Field(
        min_length=2,
        description="pairs of electrical fraction, 0 to 1, and depth in metres, at least two, such as "
        "[[0.05, 0.04], [0.95, 0.74]]",
    )
    step_m: float = from_zero(
        "the distance between two reed contacts in metres, 0 for a continuous resistor", _SENSOR.step_m
    )
    plausible_low: float = from_zero(
        "the fraction below which the wiring is faulty", _SENSOR.plausible_low, le=1
    )
    plausible_high: float = from_zero(
        "the fraction above which the wiring is faulty", _SENSOR.plausible_high, le=1
    )
    open_reads_high: bool = Field(
        default=_SENSOR.open_reads_high, description="true if a broken wire reads as the highest fraction"
    )
    margin: float = from_zero(
        "how far outside the table a fraction still counts as the end of the table", _SENSOR.margin, le=1
    )

    def core(self) -> LevelSensor:
        """Make the level sensor."""
        table = LevelSensorTable(tuple((part, depth_m) for part, depth_m in self.table))
        return LevelSensor(table, **given(self, "table"))

    @model_validator(mode="after")
    def _sound(self) -> "LevelSensorSection":
        sound(self.core)
        return self


class LevelTable(Table):
    """``level``: the sensors that are fitted, and the marks as fractions of the capacity up to the brim."""

    sensor: LevelSensorSection | None = optional("the table of a continuous level sensor", "no level sensor")
    low_switch: bool = Field(default=False, description="true if a float switch marks the low level")
    full_switch: bool = Field(default=False, description="true if a float switch marks the full level")
    overflow_float: bool = Field(default=True, description="false only where no overflow float is fitted")
    refill_fraction: float = fraction("the mark at or below which a fill may start", _LEVEL.refill_fraction)
    fill_fraction: float = fraction("the mark at or above which a fill ends", _LEVEL.fill_fraction)
    away_fill_fraction: float | None = fraction(
        "the mark at which a fill ends before and during an absence; needs a level sensor, lies under the "
        "overflow float",
        unstated="at fill_fraction",
    )
    low_switch_fraction: float | None = fraction("where the low switch sits", unstated="at the refill mark")
    full_switch_fraction: float | None = fraction("where the full switch sits", unstated="at the fill mark")
    debounce_s: float = from_zero(
        "how long a switch must stay in one state before it counts, in seconds", _LEVEL.debounce_s
    )
    overflow_return_s: float = from_zero(
        "how long the overflow float must be down to count as down, in seconds", _LEVEL.overflow_return_s
    )
    contradiction_s: float = from_zero(
        "how long sensors may contradict each other, in seconds", _LEVEL.contradiction_s
    )
    ride_through_s: float = from_zero(
        "how long a level sensor may be without a value, in seconds", _LEVEL.ride_through_s
    )
    wave_time_constant_s: float = from_zero(
        "the time constant that smooths waves, in seconds; 0 for none", _LEVEL.wave_time_constant_s
    )
    agreement_m: float = from_zero(
        "how far level sensor and switches may differ, in metres of depth", _LEVEL.agreement_m
    )
    stuck_after_s: float = positive(
        "after how long an unmoving level sensor raises an advisory, in seconds", _LEVEL.stuck_after_s
    )

    @model_validator(mode="after")
    def _rising(self) -> "LevelTable":
        if self.refill_fraction >= self.fill_fraction:
            raise refused(
                "refill_fraction",
                self.refill_fraction,
                f"must be below the fill mark, fill_fraction = {self.fill_fraction:g}",
            )
        return self

    @model_validator(mode="after")
    def _away_mark(self) -> "LevelTable":
        away = self.away_fill_fraction
        if away is None:
            return self
        if self.sensor is None:
            raise refused(
                "away_fill_fraction",
                away,
                "needs a level sensor, because switches cannot be moved; remove it",
            )
        highest = 1.0
        if self.full_switch:
            highest = self.fill_fraction if self.full_switch_fraction is None else self.full_switch_fraction
        if not self.fill_fraction <= away <= highest:
            raise refused(
                "away_fill_fraction",
                away,
                f"must lie from fill_fraction = {self.fill_fraction:g} to {highest:g}"
                + (", where the full switch sits" if self.full_switch else ""),
            )
        return self
