"""The settings of the level of one reservoir: the fitted sensors, the marks, and the delays."""

from dataclasses import dataclass, field

from bridge.errors import InputError, OutOfRangeError
from bridge.tank.level_sensor import LevelSensor
from bridge.tank.shapes import Shape, not_negative, positive


@dataclass(frozen=True, slots=True)
class LevelSettings:
    """The settings of one reservoir. Fractions are of the capacity to the brim, by volume.

    A level sensor, or a low and a full switch, or all of them must be fitted. With less, the start or the end
    of a fill could not be detected.

    Raises:
        OutOfRangeError: If a fraction, a depth or a time is outside its range.
        InputError: If too few sensors are fitted, or if the level sensor does not reach one of the marks.
    """

    shape: Shape
    level_sensor: LevelSensor | None = None
    low_switch: bool = False
    full_switch: bool = False
    overflow_switch: bool = False
    refill_fraction: float = 0.5
    """At or below this mark a fill can start."""
    fill_fraction: float = 0.9
    """At or above this mark a fill ends."""
    low_switch_fraction: float | None = None
    """The position of the low switch. None for the refill mark."""
    full_switch_fraction: float | None = None
    """The position of the full switch. None for the fill mark."""
    debounce_s: float = 2.0
    """How long a low or full switch must be stable before it counts."""
    overflow_return_s: float = 10.0
    """How long an overflow float must stay down before it counts as down. Up counts at once."""
    contradiction_s: float = 20.0
    """How long a contradiction must last before the level counts as unknown."""
    ride_through_s: float = 2.0
    """How long the last depth is used if the level sensor gives no value."""
    wave_time_constant_s: float = 4.0
    """Time constant of the low pass that removes waves from the level sensor; 0 for none."""
    agreement_m: float = 0.03
    """How far level sensor and switches may differ, in metres of depth, in addition to the level sensor's
    step."""
    stuck_after_s: float | None = 3 * 86400.0
    """A level sensor that does not move for this long is reported as stuck. None for never."""

    refill_m: float = field(init=False, compare=False)
    fill_m: float = field(init=False, compare=False)
    low_switch_m: float = field(init=False, compare=False)
    full_switch_m: float = field(init=False, compare=False)
    tolerance_m: float = field(init=False, compare=False)
    """The sum of ``agreement_m`` and the level sensor's step."""
    low_certain_l: float = field(init=False, compare=False)
    """The least volume while the low switch is wet, in litres."""
    full_certain_l: float = field(init=False, compare=False)
    """The least volume while the full switch is wet, in litres."""
    needs_full_switch: bool = field(init=False, compare=False)
    """True if the level sensor does not reach the fill mark, so that only the full switch ends a fill."""

    def __post_init__(self) -> None:
        low = self.refill_fraction if self.low_switch_fraction is None else self.low_switch_fraction
        full = self.fill_fraction if self.full_switch_fraction is None else self.full_switch_fraction
        _rising("the refill mark", self.refill_fraction, "the fill mark", self.fill_fraction)
        _rising("the low switch", low, "the full switch", full)
        not_negative("Level", "the debounce time", self.debounce_s, "s")
        not_negative("Level", "the return time of the overflow float", self.overflow_return_s, "s")
        not_negative("Level", "the time a contradiction may last", self.contradiction_s, "s")
        not_negative("Level", "the ride-through time", self.ride_through_s, "s")
        not_negative("Level", "the time constant of the waves", self.wave_time_constant_s, "s")
        not_negative("Level", "the agreement", self.agreement_m, "m")
        if self.stuck_after_s is not None:
            positive("Level", "the time after which a still level sensor is a hint", self.stuck_after_s, "s")

        capacity_l = self.shape.capacity_l
        depth_m = {
            part: self.shape.depth_m(fraction * capacity_l)
            for part, fraction in (
                ("refill_m", self.refill_fraction),
                ("fill_m", self.fill_fraction),
                ("low_switch_m", low),
                ("full_switch_m", full),
            )
        }
        step_m = 0.0 if self.level_sensor is None else self.level_sensor.step_m
        for name, value in depth_m.items():
            object.__setattr__(self, name, value)
        object.__setattr__(self, "tolerance_m", self.agreement_m + step_m)
        object.__setattr__(self, "low_certain_l", self._certain_l(self.low_switch_m))
        object.__setattr__(self, "full_certain_l", self._certain_l(self.full_switch_m))
        lowest, highest = (0.0, 0.0) if self.level_sensor is None else self.level_sensor.table.depths_m
        object.__setattr__(
            self, "needs_full_switch", highest < self.fill_m or self.fill_m + step_m > self.shape.height_m
        )
        self._check_fitted(lowest, highest)

    def _certain_l(self, depth_m: float) -> float:
        return self.shape.volume_l(max(depth_m - self.agreement_m, 0.0))

    def _check_fitted(self, lowest: float, highest: float) -> None:
        if self.level_sensor is None:
            if not (self.low_switch and self.full_switch):
                raise InputError(
                    "Level: without a level sensor both a low and a full switch are needed; "
                    "fit them, or a level sensor."
                )
            return
        if highest > self.shape.height_m:
            raise InputError(
                f"Level: the level sensor's table reaches {highest:g} m, but the tank is only "
                f"{self.shape.height_m:g} m high; check the table and the tank's height."
            )
        if lowest > self.refill_m:
            raise InputError(
                f"Level: the level sensor's table ends at {lowest:g} m, above the refill mark at "
                f"{self.refill_m:.3f} m; no fill would ever start. Raise the mark or extend the table."
            )
        if not self.full_switch and highest < self.fill_m:
            raise InputError(
                f"Level: the level sensor's table ends at {highest:g} m, below the fill mark at "
                f"{self.fill_m:.3f} m; no fill would ever end. Lower the mark, extend the table or fit a "
                "full switch."
            )
        if not self.full_switch and self.fill_m + self.level_sensor.step_m > self.shape.height_m:
            raise InputError(
                f"Level: the fill mark at {self.fill_m:.3f} m and one step of the level sensor of "
                f"{self.level_sensor.step_m:g} m reach over the brim at {self.shape.height_m:g} m; "
                "lower the mark or fit a full switch."
            )


def _rising(lower: str, low: float, upper: str, high: float) -> None:
    if not 0.0 < low < high <= 1.0:
        raise OutOfRangeError(
            f"Level: {lower} is at {low:g} and {upper} at {high:g} of the capacity; "
            "both must lie above 0 and up to 1, the second above the first."
        )
