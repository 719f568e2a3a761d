"""Calibration of a cell in one or two standard solutions.

One point gives the cell constant; two points, far apart, give the constant and the offset. Each solution
counts with its value at the temperature it had, and the result carries the uncertainty that it hands on to
every reading.
"""

import math
from dataclasses import dataclass

from bridge.errors import InputError, OutOfRangeError
from bridge.water.cell import Cell
from bridge.water.standards import Standard, with_slope

SMALLEST_SPAN = 2.0
"""Two-point calibration needs one standard to conduct at least this many times what the other does."""


@dataclass(frozen=True, slots=True)
class CalibrationPoint:
    """One standard solution as the cell saw it."""

    standard: Standard
    conductance_us: float
    """As read, offset and leads included."""
    temperature_c: float
    reference_us_cm: float
    """What the solution conducts at that temperature, its water included."""
    standard_uncertainty_percent: float
    """k = 1, of the solution's value, its temperature and the reading together."""


@dataclass(frozen=True, slots=True)
class Calibration:
    """The outcome: the cell as it now is, and how sure its constant is."""

    cell: Cell
    constant_uncertainty_percent: float
    """Standard uncertainty (k = 1) of the cell constant: goes into the readings' budget as it is."""
    offset_uncertainty_us: float
    """Standard uncertainty (k = 1) of the offset; 0 for one point, where the offset is taken as given."""
    points: tuple[CalibrationPoint, ...]

    @property
    def standard_id(self) -> str:
        """The id of the standard, or both with a plus sign between."""
        return "+".join(point.standard.ident for point in self.points)

    @property
    def temperature_c(self) -> float:
        """Mean temperature of the solutions, °C."""
        return sum(point.temperature_c for point in self.points) / len(self.points)

    def drift_percent(self, earlier: "Calibration") -> float:
        """How far the cell constant has moved since an earlier calibration, in per cent of the earlier
        one."""
        return 100.0 * (self.cell.constant_per_cm / earlier.cell.constant_per_cm - 1.0)

    def drift_is_significant(self, earlier: "Calibration") -> bool:
        """Whether the drift is more than the two calibrations' expanded uncertainty (k = 2) explains."""
        doubt = 2.0 * math.hypot(self.constant_uncertainty_percent, earlier.constant_uncertainty_percent)
        return abs(self.drift_percent(earlier)) > doubt


def point(
    standard: Standard,
    conductance_us: float,
    temperature_c: float,
    *,
    water_us_cm: float | None = None,
    temperature_uncertainty_k: float = 0.2,
    conductance_uncertainty_percent: float = 0.2,
) -> CalibrationPoint:
    """One solution as the cell saw it: conductance in µS, temperature of the solution in °C.

    ``water_us_cm`` is the conductivity of the water in a standard whose table leaves it out (both potassium
    chloride solutions); not given, it is that of clean water in air, with half of it as doubt. The
    uncertainties are standard ones.

    Raises :class:`OutOfRangeError` when the temperature is outside the standard's table or the conductance is
    not positive.
    """
    if not 0.0 < conductance_us < math.inf:
        raise OutOfRangeError(
            f"the cell reads {conductance_us} µS in the standard '{standard.ident}'; a cell in a standard "
            "reads more than zero, so check that it is immersed and connected"
        )
    if not (
        0.0 <= temperature_uncertainty_k < math.inf and 0.0 <= conductance_uncertainty_percent < math.inf
    ):
        raise OutOfRangeError("the uncertainties of a calibration must be finite numbers, zero or more")
    value, slope = with_slope(standard, temperature_c, water_us_cm)
    water_doubt = 0.0
    if standard.water_subtracted and water_us_cm is None:
        without = with_slope(standard, temperature_c, 0.0)[0]
        water_doubt = 50.0 * (value - without) / value
    percent = math.hypot(
        standard.standard_uncertainty_percent,
        100.0 * slope / value * temperature_uncertainty_k,
        conductance_uncertainty_percent,
        water_doubt,
    )
    return CalibrationPoint(standard, conductance_us, temperature_c, value, percent)


def one_point(
    seen: CalibrationPoint, *, lead_resistance_ohm: float = 0.0, offset_us: float = 0.0
) -> Calibration:
    """The cell constant from one solution, with leads and offset taken as known.

    Raises :class:`OutOfRangeError` when no real cell fits the reading.
    """
    net_us = seen.conductance_us - offset_us
    through_water = 1.0 - net_us * lead_resistance_ohm * 1e-6
    if not (net_us > 0.0 and through_water > 0.0):
        raise OutOfRangeError(
            f"a reading of {seen.conductance_us} µS leaves nothing for the water with an offset of "
            f"{offset_us} µS and leads of {lead_resistance_ohm} ohm; check both"
        )
    cell = Cell(seen.reference_us_cm * through_water / net_us, lead_resistance_ohm, offset_us)
    # Leads magnify a doubt in the reading; taking all of the doubt as magnified errs on the safe side.
    return Calibration(cell, seen.standard_uncertainty_percent / through_water, 0.0, (seen,))


def two_point(
    low: CalibrationPoint, high: CalibrationPoint, *, lead_resistance_ohm: float = 0.0
) -> Calibration:
    """Cell constant and offset from two solutions, in either order.

    The straight line through both: conductance = conductivity / constant + offset.

    Raises :class:`InputError` when the solutions are too alike, and :class:`OutOfRangeError` when no real
    cell fits.
    """
    if low.reference_us_cm > high.reference_us_cm:
        low, high = high, low
    if high.reference_us_cm < SMALLEST_SPAN * low.reference_us_cm:
        raise InputError(
            f"two standards of {low.reference_us_cm:.1f} and {high.reference_us_cm:.1f} µS/cm are too "
            f"alike; one must conduct at least {SMALLEST_SPAN:g} times what the other does"
        )
    rise_us = high.conductance_us - low.conductance_us
    lead_per_us = lead_resistance_ohm * 1e-6
    below, above = low.reference_us_cm, high.reference_us_cm
    # With w = κ / K a cell with leads reads w / (1 + R w) + offset. The difference of two readings is a
    # quadratic in 1 / K; this form of its smaller root holds for R = 0 as well.
    linear = above - below - rise_us * (above + below) * lead_per_us
    square = linear * linear - 4.0 * rise_us * rise_us * below * above * lead_per_us * lead_per_us
    if not (rise_us > 0.0 and linear > 0.0 and square >= 0.0):
        raise OutOfRangeError(
            f"the cell reads {low.conductance_us} µS in the weaker and {high.conductance_us} µS in the "
            "stronger standard; no real cell does that: check that the solutions were not exchanged, and "
            "the lead resistance"
        )
    per_constant = 2.0 * rise_us / (linear + math.sqrt(square))
    weak_us = below * per_constant
    offset_us = low.conductance_us - weak_us / (1.0 + weak_us * lead_per_us)
    cell = Cell(1.0 / per_constant, lead_resistance_ohm, offset_us)
    span = above - below
    magnified = 1.0 + above * per_constant * lead_per_us
    low_percent = low.standard_uncertainty_percent * magnified
    high_percent = high.standard_uncertainty_percent * magnified
    return Calibration(
        cell,
        math.hypot(below * low_percent, above * high_percent) / span,
        0.01 * per_constant * below * above / span * math.hypot(low_percent, high_percent),
        (low, high),
    )
