"""Calibration of a cell in one or two standard solutions.

One point gives the cell constant. Two points, far apart, give the constant and the offset. Each solution
counts with its value at its own temperature. The result has an uncertainty, which enters the budget of every
reading.

A point needs settled readings: readings that have not moved for a whole window of time. The window has four
quarters. The movement is the difference between the highest and the lowest mean of the quarters, so that a
slow drift counts and noise does not.
"""

import math
from collections import deque
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise

from bridge.errors import InputError, OutOfRangeError
from bridge.water.conductivity import Cell
from bridge.water.standards import Standard, with_slope
from bridge.water.uncertainty import LABEL_PERCENT

QUARTERS = 4


@dataclass(frozen=True, slots=True)
class Criterion:
    """The largest movement of settled readings over the window. Common practice, no source."""

    window_s: float = 60.0
    conductance_percent: float = 0.2
    temperature_k: float = 0.1


@dataclass(frozen=True, slots=True)
class Settled:
    """The means of settled readings."""

    conductance_us: float
    temperature_c: float
    readings: int
    mean_uncertainty_percent: float
    """Standard uncertainty of the mean conductance, from the scatter of the readings only."""


@dataclass(frozen=True, slots=True)
class Movement:
    """The movement of the readings within the window, or within the part of it that has passed."""

    seconds: float
    conductance_percent: float
    temperature_k: float


class Settling:
    """Collects readings, oldest first, until they have settled. Mutable."""

    def __init__(self, criterion: Criterion | None = None) -> None:
        self.criterion = criterion or Criterion()
        self._readings: deque[tuple[float, float, float]] = deque()
        self._whole = False

    def take(self, now_s: float, conductance_us: float | None, temperature_c: float | None) -> None:
        """Take one reading, in µS and °C. A reading without a value restarts the window."""
        if conductance_us is None or temperature_c is None:
            self._readings.clear()
            self._whole = False
            return
        self._readings.append((now_s, conductance_us, temperature_c))
        while now_s - self._readings[0][0] > self.criterion.window_s:
            self._whole = True
            self._readings.popleft()

    @property
    def movement(self) -> Movement | None:
        """The movement so far. None while there are too few readings."""
        if len(self._readings) < 2 * QUARTERS:
            return None
        began_s, ended_s = self._readings[0][0], self._readings[-1][0]
        quarters: list[list[tuple[float, float]]] = [[] for _ in range(QUARTERS)]
        for at_s, us, c in self._readings:
            part = QUARTERS * (at_s - began_s) / max(ended_s - began_s, 1e-9)
            quarters[min(int(part), QUARTERS - 1)].append((us, c))
        if not all(quarters):
            return None
        us_means = [math.fsum(us for us, _ in quarter) / len(quarter) for quarter in quarters]
        c_means = [math.fsum(c for _, c in quarter) / len(quarter) for quarter in quarters]
        middle_us = math.fsum(us_means) / QUARTERS
        percent = 100.0 * (max(us_means) - min(us_means)) / middle_us if middle_us > 0.0 else math.inf
        return Movement(ended_s - began_s, percent, max(c_means) - min(c_means))

    @property
    def settled(self) -> Settled | None:
        """The means. None until the readings have settled for the whole window."""
        moved = self.movement
        criterion = self.criterion
        if not self._whole or moved is None:
            return None
        if (
            moved.conductance_percent > criterion.conductance_percent
            or moved.temperature_k > criterion.temperature_k
        ):
            return None
        count = len(self._readings)
        mean_us = math.fsum(us for _, us, _ in self._readings) / count
        mean_c = math.fsum(c for _, _, c in self._readings) / count
        variance = math.fsum((us - mean_us) ** 2 for _, us, _ in self._readings) / (count - 1)
        return Settled(mean_us, mean_c, count, 100.0 * math.sqrt(variance / count) / mean_us)


PLACE_K = 0.1
"""Standard uncertainty of the difference between the thermometer's place and the solution in the cell, K
(common practice, no source)."""
SMALLEST_SPAN = 2.0
"""For two points, the smallest ratio of the conductivities of the two standards."""


@dataclass(frozen=True, slots=True)
class CalibrationPoint:
    """The reading of a cell in one standard solution."""

    standard: Standard
    conductance_us: float
    """The conductance as read, with offset and leads."""
    temperature_c: float
    reference_us_cm: float
    """The conductivity of the solution at this temperature, with that of its water."""
    standard_uncertainty_percent: float
    """Combined standard uncertainty (k = 1) of the solution's value, its temperature and the reading."""
    own_percent: float
    """The same without the error of the thermometer, but with what its place in the solution adds."""
    percent_per_k: float
    """Change of the solution's value for each kelvin, in per cent."""


@dataclass(frozen=True, slots=True)
class Calibration:
    """The result of a calibration: the cell, and the uncertainties of its constant and offset."""

    cell: Cell
    constant_uncertainty_percent: float
    """Standard uncertainty (k = 1) of the cell constant. Enters the budget of every reading."""
    offset_uncertainty_us: float
    """Standard uncertainty (k = 1) of the offset. 0 for one point, which takes the offset as given."""
    points: tuple[CalibrationPoint, ...]
    own_percent: float
    """Standard uncertainty (k = 1) of the constant without the error of the thermometer.

    Together with ``percent_per_k`` it is for readings with the thermometer of the calibration, whose error
    then counts once. See :mod:`bridge.water.uncertainty`."""
    percent_per_k: float
    """Change of the constant, in per cent for each kelvin by which the thermometer read high."""

    @property
    def standard_id(self) -> str:
        """The id of the standard, or both ids with a plus sign between them."""
        return "+".join(point.standard.ident for point in self.points)

    @property
    def temperature_c(self) -> float:
        """Mean temperature of the solutions, °C."""
        return sum(point.temperature_c for point in self.points) / len(self.points)

    def drift_percent(self, earlier: "Calibration") -> float:
        """Return the change of the cell constant since an earlier calibration, in per cent."""
        return 100.0 * (self.cell.constant_per_cm / earlier.cell.constant_per_cm - 1.0)

    def drift_is_significant(self, earlier: "Calibration") -> bool:
        """Return whether the drift is larger than the expanded uncertainty (k = 2) of both calibrations."""
        expanded_percent = 2.0 * math.hypot(
            self.constant_uncertainty_percent, earlier.constant_uncertainty_percent
        )
        return abs(self.drift_percent(earlier)) > expanded_percent


def point(
    standard: Standard,
    conductance_us: float,
    temperature_c: float,
    *,
    water_us_cm: float | None = None,
    temperature_uncertainty_k: float = 0.2,
    conductance_uncertainty_percent: float = 0.2,
) -> CalibrationPoint:
    """Return the calibration point for a reading in a standard solution.

    Args:
        standard: the standard solution.
        conductance_us: the reading of the cell, µS.
        temperature_c: the temperature of the solution.
        water_us_cm: for a standard whose table omits the conductivity of its water (both potassium chloride
            solutions), that conductivity. None for clean water in air, with half of its value as uncertainty.
        temperature_uncertainty_k: standard uncertainty of the temperature.
        conductance_uncertainty_percent: standard uncertainty of the reading.

    Raises:
        OutOfRangeError: If the temperature is outside the standard's table or the conductance is not
            positive.
    """
    if not 0.0 < conductance_us < math.inf:
        raise OutOfRangeError(
            f"the cell reads {conductance_us} µS in the standard '{standard.ident}'; the reading must be "
            "above zero: check that the cell is immersed and connected"
        )
    if not (
        0.0 <= temperature_uncertainty_k < math.inf and 0.0 <= conductance_uncertainty_percent < math.inf
    ):
        raise OutOfRangeError("the uncertainties of a calibration must be finite numbers, zero or more")
    value, slope = with_slope(standard, temperature_c, water_us_cm)
    water_percent = 0.0
    if standard.water_subtracted and water_us_cm is None:
        without = with_slope(standard, temperature_c, 0.0)[0]
        water_percent = 50.0 * (value - without) / value
    per_k = 100.0 * slope / value
    others = math.hypot(standard.standard_uncertainty_percent, conductance_uncertainty_percent, water_percent)
    return CalibrationPoint(
        standard,
        conductance_us,
        temperature_c,
        value,
        math.hypot(others, per_k * temperature_uncertainty_k),
        math.hypot(others, per_k * PLACE_K),
        per_k,
    )


def one_point(
    reading: CalibrationPoint, *, lead_resistance_ohm: float = 0.0, offset_us: float = 0.0
) -> Calibration:
    """Return the calibration with one solution. Lead resistance and offset are taken as known.

    Raises:
        OutOfRangeError: If no real cell fits the reading.
    """
    net_us = reading.conductance_us - offset_us
    water_share = 1.0 - net_us * lead_resistance_ohm * 1e-6
    if not (net_us > 0.0 and water_share > 0.0):
        raise OutOfRangeError(
            f"a reading of {reading.conductance_us} µS is impossible with an offset of {offset_us} µS and "
            f"leads of {lead_resistance_ohm} ohm; check both"
        )
    cell = Cell(reading.reference_us_cm * water_share / net_us, lead_resistance_ohm, offset_us)
    # Leads magnify the uncertainty of the reading. Magnifying all of the uncertainty is on the safe side.
    return Calibration(
        cell,
        reading.standard_uncertainty_percent / water_share,
        0.0,
        (reading,),
        reading.own_percent / water_share,
        reading.percent_per_k / water_share,
    )


def two_point(
    low: CalibrationPoint, high: CalibrationPoint, *, lead_resistance_ohm: float = 0.0
) -> Calibration:
    """Return the calibration with two solutions, in any order: the cell constant and the offset.

    They follow from the straight line through both points: conductance = conductivity / constant + offset.

    Raises:
        InputError: If the conductivities of the solutions are too similar.
        OutOfRangeError: If no real cell fits.
    """
    low, high = sorted((low, high), key=lambda one: one.reference_us_cm)
    if high.reference_us_cm < SMALLEST_SPAN * low.reference_us_cm:
        raise InputError(
            f"two standards of {low.reference_us_cm:.1f} and {high.reference_us_cm:.1f} µS/cm are too "
            f"alike; one must conduct at least {SMALLEST_SPAN:g} times as much as the other"
        )
    rise_us = high.conductance_us - low.conductance_us
    lead_per_us = lead_resistance_ohm * 1e-6
    below, above = low.reference_us_cm, high.reference_us_cm
    # With w = κ / K a cell with leads reads w / (1 + R w) + offset. The difference of two readings gives a
    # quadratic in 1 / K. This form of its smaller root is also valid for R = 0.
    linear = above - below - rise_us * (above + below) * lead_per_us
    least = 2.0 * rise_us * math.sqrt(below * above) * lead_per_us
    if not (rise_us > 0.0 and linear >= least):
        raise OutOfRangeError(
            f"the cell reads {low.conductance_us} µS in the weaker and {high.conductance_us} µS in the "
            "stronger standard, which is impossible; check that the solutions are not exchanged, and "
            "check the lead resistance"
        )
    per_constant = 2.0 * rise_us / (linear + math.sqrt(linear * linear - least * least))
    weak_us = below * per_constant
    offset_us = low.conductance_us - weak_us / (1.0 + weak_us * lead_per_us)
    cell = Cell(1.0 / per_constant, lead_resistance_ohm, offset_us)
    span = above - below
    magnified = 1.0 + above * per_constant * lead_per_us
    low_percent = low.standard_uncertainty_percent * magnified
    high_percent = high.standard_uncertainty_percent * magnified
    own_percent = magnified * math.hypot(below * low.own_percent, above * high.own_percent) / span
    per_k = magnified * (above * high.percent_per_k - below * low.percent_per_k) / span
    return Calibration(
        cell,
        math.hypot(below * low_percent, above * high_percent) / span,
        0.01 * per_constant * below * above / span * math.hypot(low_percent, high_percent),
        (low, high),
        own_percent,
        per_k,
    )


DRIFT_PERCENT_PER_YEAR = 5.0
"""The drift of a cell constant before its own calibrations show it (common practice, no source)."""
SECONDS_PER_YEAR = 31_557_600.0
_PRIOR_WEIGHT = 3.0
"""The number of calibrations, a year apart, for which the prior of the drift counts."""
_ANOTHER_CELL_PERCENT = 40.0
"""A larger change of the constant is that of another cell, and no drift."""


@dataclass(frozen=True, slots=True)
class PastCalibration:
    """One calibration of the history of a cell."""

    made_s: float
    """Seconds of the wall clock."""
    constant_per_cm: float
    constant_percent: float
    """Standard uncertainty (k = 1) of the constant."""


def drift_percent_per_year(past: Iterable[PastCalibration]) -> float:
    """Return the drift of this cell, as a standard deviation in per cent a year, from its calibrations.

    The rate of a cell is normal around zero: scale and fouling raise its constant, cleaning lowers it. The
    variance of the rate has a scaled inverse chi-squared prior around :data:`DRIFT_PERCENT_PER_YEAR`. Each
    pair of calibrations adds the square of its change, less the squares of both uncertainties, over the
    square of its time. It counts by how well it shows a rate: a week between two calibrations shows nothing.
    """
    known = sorted(past, key=lambda one: one.made_s)
    weight = _PRIOR_WEIGHT
    total = _PRIOR_WEIGHT * DRIFT_PERCENT_PER_YEAR**2
    for before, after in pairwise(known):
        years = (after.made_s - before.made_s) / SECONDS_PER_YEAR
        change = 100.0 * math.log(after.constant_per_cm / before.constant_per_cm)
        if years <= 0.0 or abs(change) > _ANOTHER_CELL_PERCENT:
            continue
        noise = before.constant_percent**2 + after.constant_percent**2
        expected = (DRIFT_PERCENT_PER_YEAR * years) ** 2
        share = (expected / (expected + noise)) ** 2
        weight += share
        total += share * max(change * change - noise, 0.0) / (years * years)
    return math.sqrt(total / weight)


def constant_percent(
    now_s: float, past: Sequence[PastCalibration] = (), label_percent: float = LABEL_PERCENT
) -> float:
    """Return the standard uncertainty (k = 1) of a cell constant now, in per cent.

    Without a calibration it is that of the label. After one it is that of the calibration, and grows with the
    drift of this cell.

    Args:
        now_s: seconds of the wall clock. A time before the newest calibration counts as that of it.
        past: the calibrations of this cell, in any order.
        label_percent: standard uncertainty of the label.
    """
    if not past:
        return label_percent
    newest = max(past, key=lambda one: one.made_s)
    years = max(now_s - newest.made_s, 0.0) / SECONDS_PER_YEAR
    return math.hypot(newest.constant_percent, drift_percent_per_year(past) * years)
