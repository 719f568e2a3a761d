"""Calibration of a cell in one or two standard solutions.

One point gives the cell constant; two points, far apart, give the constant and the offset. Each solution
counts with its value at the temperature it had, and the result carries the uncertainty that it hands on to
every reading.

When has a cell in a standard solution settled? When its readings have stopped moving for long enough.

The window is cut into four quarters. How far the reading moved is the difference between the highest and the
lowest of the quarters' means, so that noise from reading to reading does not count as movement and a slow
drift does.
"""

import math
from collections import deque
from dataclasses import dataclass

from bridge.errors import InputError, OutOfRangeError
from bridge.water.conductivity import Cell
from bridge.water.standards import Standard, with_slope

QUARTERS = 4


@dataclass(frozen=True, slots=True)
class Criterion:
    """What counts as settled: less movement than this over the window. Common practice, no source."""

    window_s: float = 60.0
    conductance_percent: float = 0.2
    temperature_k: float = 0.1


@dataclass(frozen=True, slots=True)
class Settled:
    """Readings that have settled, as their means."""

    conductance_us: float
    temperature_c: float
    readings: int
    mean_uncertainty_percent: float
    """Standard uncertainty of the mean conductance, from the scatter of the readings alone."""


@dataclass(frozen=True, slots=True)
class Movement:
    """How far the readings moved within the window, or within as much of it as there is yet."""

    seconds: float
    conductance_percent: float
    temperature_k: float


class Settling:
    """Takes readings, oldest first, and says when they have settled; mutable."""

    def __init__(self, criterion: Criterion | None = None) -> None:
        self.criterion = criterion or Criterion()
        self._seen: deque[tuple[float, float, float]] = deque()
        self._whole = False

    def take(self, now_s: float, conductance_us: float | None, temperature_c: float | None) -> None:
        """One reading, in µS and °C; one without a value begins the wait anew."""
        if conductance_us is None or temperature_c is None:
            self._seen.clear()
            self._whole = False
            return
        seen = self._seen
        seen.append((now_s, conductance_us, temperature_c))
        while now_s - seen[0][0] > self.criterion.window_s:
            self._whole = True
            seen.popleft()

    @property
    def movement(self) -> Movement | None:
        """None as long as there are too few readings to tell."""
        if len(self._seen) < 2 * QUARTERS:
            return None
        began_s, ended_s = self._seen[0][0], self._seen[-1][0]
        quarters: list[list[tuple[float, float]]] = [[] for _ in range(QUARTERS)]
        for at_s, us, c in self._seen:
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
        """The means, once the readings have kept still for the whole window."""
        moved = self.movement
        wanted = self.criterion
        if not self._whole or moved is None:
            return None
        if (
            moved.conductance_percent > wanted.conductance_percent
            or moved.temperature_k > wanted.temperature_k
        ):
            return None
        count = len(self._seen)
        mean_us = math.fsum(us for _, us, _ in self._seen) / count
        mean_c = math.fsum(c for _, _, c in self._seen) / count
        variance = math.fsum((us - mean_us) ** 2 for _, us, _ in self._seen) / (count - 1)
        return Settled(mean_us, mean_c, count, 100.0 * math.sqrt(variance / count) / mean_us)


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
