"""The tables ``shape`` and ``level`` of a reservoir in the configuration."""

from abc import ABC, abstractmethod
from typing import Annotated, Literal

from pydantic import Field, model_validator

from bridge.config.tables import Table, fraction, from_zero, given, positive, refused, sound
from bridge.tank import shapes
from bridge.tank.level_sensor import LevelSensor, LevelSensorTable

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


class LevelSensorSection(Table):
    """``level.sensor``: a continuous level sensor."""

    table: list[Pair] = Field(
        min_length=2,
        description="pairs of electrical fraction, 0 to 1, and depth in metres, at least two, such as "
        "[[0.05, 0.04], [0.95, 0.74]]",
    )
    step_m: float | None = from_zero(
        "the distance between two reed contacts in metres, 0 for a continuous resistor"
    )
    plausible_low: float | None = from_zero("the fraction below which the wiring is faulty", le=1)
    plausible_high: float | None = from_zero("the fraction above which the wiring is faulty", le=1)
    open_reads_high: bool | None = Field(
        default=None, description="true if a broken wire reads as the highest fraction"
    )
    margin: float | None = from_zero(
        "how far outside the table a fraction still counts as the end of the table", le=1
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
    """``level``: the sensors that are fitted, and the marks as fractions of the brim-full capacity."""

    sensor: LevelSensorSection | None = Field(
        default=None, description="the table of a continuous level sensor"
    )
    low_switch: bool = Field(default=False, description="true if a float switch marks the low level")
    full_switch: bool = Field(default=False, description="true if a float switch marks the full level")
    overflow_float: bool = Field(default=True, description="false only where no overflow float is fitted")
    refill_fraction: float = fraction("the mark at or below which a fill may start", 0.5)
    fill_fraction: float = fraction("the mark at or above which a fill ends", 0.9)
    low_switch_fraction: float | None = fraction("where the low switch sits, if not at the refill mark")
    full_switch_fraction: float | None = fraction("where the full switch sits, if not at the fill mark")
    debounce_s: float | None = from_zero(
        "how long a switch must stay in one state before it counts, in seconds"
    )
    overflow_return_s: float | None = from_zero(
        "how long the overflow float must be down to count as down, in seconds"
    )
    contradiction_s: float | None = from_zero("how long sensors may contradict each other, in seconds")
    ride_through_s: float | None = from_zero("how long a level sensor may be without a value, in seconds")
    wave_time_constant_s: float | None = from_zero("the time constant that smooths waves, in seconds")
    agreement_m: float | None = from_zero("how far level sensor and switches may differ, in metres of depth")
    stuck_after_s: float | None = positive(
        "after how long an unmoving level sensor raises an advisory, in seconds"
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
