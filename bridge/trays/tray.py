"""A tray's water and dissolved solids as an estimate, with all that is uncertain about them.

**Water.** One millimetre of water on one square metre is a litre. The air takes the reference
evapotranspiration of a day from the tray's area, and the pots draw in proportion to it. Both leave the solids
behind. Water above the spill level runs off as a well-stirred mixture. The moss and the soil of the pots hold
water too; its solids mix with those of the tray.

**Balance.** :mod:`bridge.trays.balance` has the exact solution for a day of constant rates.

**State.** Four numbers with one covariance: the volume, the solids, the logarithm of the draw factor (true
draw-off over the one that the weather and the table suggest) and the logarithm of the error of the added
water's ppm. The two factors do not average out, so the uncertainty of the concentration grows in proportion
to the time. Filling a tray to its mark measures its draw-off, and corrects the draw factor on a logarithmic
scale; a hand sample corrects the solids, and the factors behind them (an extended Kalman filter, as in
:mod:`bridge.estimate.reservoir`).

Pure values; memory is constant.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

from bridge.errors import OutOfRangeError
from bridge.tank.shapes import not_negative, positive
from bridge.trays.balance import Balance, mixed

Vector = tuple[float, float, float, float]
Matrix = tuple[Vector, Vector, Vector, Vector]

_V, _S, _DRAW, _INFLOW = range(4)
_SIZE = 4
_FILM_L = 1e-3

REFERENCE_MM = 5.0
"""The reference evapotranspiration of the day for which a pot's draw is given."""
DRAW_FACTOR_SD = 0.4
"""Standard uncertainty of the logarithm of the draw factor at first (common practice, no source)."""
DRAW_WANDER_PER_ROOT_DAY = 0.02
"""The factor follows growth, shade and the season (common practice, no source)."""
DRAW_NOISE = 0.2
"""Relative standard uncertainty of one day's draw-off: its wind and clouds (common practice, no source)."""
INFLOW_SD = 0.1
"""Relative standard uncertainty of the added water's ppm, at least (common practice, no source)."""
INFLOW_DAYS = 30.0
"""Time constant of that error."""
MARK_MM = 2.0
"""Standard uncertainty of a level that a person fills to a mark (common practice, no source)."""
CAN_ERROR = 0.03
"""Relative standard uncertainty of the litres of a can (common practice, no source)."""
RAIN_ERROR = 0.25
"""Relative standard uncertainty of the rain that falls into a tray (common practice, no source)."""
MIXING_PER_ROOT_DAY = 0.025
"""Relative standard uncertainty that one day adds to the concentration: moss and soil take up solids and give
them off slowly (common practice, no source)."""
SAMPLING_PERCENT = 8.0
"""Standard uncertainty of a tray's sample, because water between pots is not evenly mixed (common
practice, no source)."""
LARGEST_LOG_SD = 1.5
"""A tray that is nearly dry may have any concentration; the linear estimate would give it an absurd one."""
FIRST_SHARE_SD = 1.0
"""Standard uncertainty of the logarithm of the concentration of a tray that nobody sampled (common practice,
no source)."""


@dataclass(frozen=True, slots=True)
class TrayPlan:
    """What is known about a tray from its table.

    Raises:
        OutOfRangeError: If a value is outside its range, or the depths are not in order.
    """

    ident: str
    name: str
    area_m2: float
    kept_mm: float
    """The depth to which it is filled in the months of growth."""
    rim_mm: float
    """The depth at which it runs over."""
    fed_from: str
    """The reservoir or shelf that its water comes from."""
    pots: int = 0
    pot_draw_l: float = 0.03
    """The draw of one pot on a day of :data:`REFERENCE_MM` (common practice, no source)."""
    pot_holds_l: float = 0.15
    """The water that the moss and the soil of one pot hold (common practice, no source)."""
    drained: bool = False
    """True: a hole or a pipe at the kept depth lets everything above it run off."""
    covered: bool = False
    """True: no rain falls into it."""
    limit_ppm: float = 50.0
    target_ppm: float = 25.0
    dormant_mm: float = 5.0
    """The depth in the dormant months."""
    dormant_months: tuple[int, ...] = ()
    dormant_draw: float = 0.3
    """The share of their draw that the pots keep in those months (common practice, no source)."""

    def __post_init__(self) -> None:
        positive("Tray", "the area", self.area_m2, "m²")
        positive("Tray", "the kept depth", self.kept_mm, "mm")
        positive("Tray", "the depth in the dormant months", self.dormant_mm, "mm")
        positive("Tray", "the limit", self.limit_ppm, "ppm")
        positive("Tray", "the target", self.target_ppm, "ppm")
        not_negative("Tray", "a pot's draw", self.pot_draw_l, "L")
        not_negative("Tray", "the water that a pot holds", self.pot_holds_l, "L")
        not_negative("Tray", "the pots", float(self.pots), "")
        if not max(self.kept_mm, self.dormant_mm) <= self.rim_mm < math.inf:
            raise OutOfRangeError(
                f"Tray: it runs over at {self.rim_mm:g} mm, and {max(self.kept_mm, self.dormant_mm):g} mm "
                "are to be kept in it; the kept depths must be under the rim."
            )
        if self.target_ppm > self.limit_ppm:
            raise OutOfRangeError(
                f"Tray: the target of {self.target_ppm:g} ppm is over the limit of {self.limit_ppm:g} ppm."
            )
        if not all(1 <= month <= 12 for month in self.dormant_months):
            raise OutOfRangeError("Tray: the dormant months are numbers from 1 to 12.")
        if not 0.0 <= self.dormant_draw <= 1.0:
            raise OutOfRangeError("Tray: the draw in the dormant months is a share from 0 to 1.")

    @property
    def held_l(self) -> float:
        """The water that moss and soil hold beside the water in the tray."""
        return self.pots * self.pot_holds_l

    @property
    def spill_l(self) -> float:
        """The volume above which water runs off, with the water that the pots hold."""
        return self.at_depth(self.kept_mm if self.drained else self.rim_mm)

    def at_depth(self, depth_mm: float) -> float:
        """Return the volume at a depth, with the water that the pots hold."""
        return self.area_m2 * depth_mm + self.held_l

    def mark_mm(self, month: int) -> float:
        """Return the depth that is kept in a month."""
        return self.dormant_mm if month in self.dormant_months else self.kept_mm

    def nominal_l(self, evapotranspiration_mm: float, month: int) -> float:
        """Return the draw-off of a day that its weather and the table suggest, before the learned factor."""
        pots = self.pots * self.pot_draw_l / REFERENCE_MM
        if month in self.dormant_months:
            pots *= self.dormant_draw
        return evapotranspiration_mm * (self.area_m2 + pots)


@dataclass(frozen=True, slots=True)
class Tray:
    """The estimate of one tray: the volume has the water that the pots hold in it."""

    volume_l: float
    solids_mg: float
    log_draw: float
    log_inflow: float
    covariance: Matrix
    sampled_day: int | None = None
    """The ordinal of the day of the last sample."""

    @property
    def ppm(self) -> float:
        """Dissolved solids in mg/L."""
        return self.solids_mg / max(self.volume_l, _FILM_L)

    @property
    def log_ppm_sd(self) -> float:
        """Standard uncertainty of the logarithm of the concentration."""
        variance = _quadratic(self._log_ppm_slope(), self.covariance)
        return min(math.sqrt(max(variance, 0.0)), LARGEST_LOG_SD)

    @property
    def expanded_ppm(self) -> float:
        """Expanded uncertainty (k = 2) of the concentration."""
        return 2.0 * self.ppm * self.log_ppm_sd

    @property
    def volume_sd_l(self) -> float:
        """Standard uncertainty of the volume."""
        return math.sqrt(self.covariance[_V][_V])

    @property
    def draw_factor(self) -> tuple[float, float]:
        """The learned draw factor, and the standard uncertainty of its logarithm."""
        return math.exp(self.log_draw), math.sqrt(self.covariance[_DRAW][_DRAW])

    def depth_mm(self, plan: TrayPlan) -> float:
        """Return the depth of the water in the tray."""
        return max(self.volume_l - plan.held_l, 0.0) / plan.area_m2

    def _log_ppm_slope(self) -> Vector:
        return (-1.0 / max(self.volume_l, _FILM_L), 1.0 / max(self.solids_mg, _FILM_L), 0.0, 0.0)


def begin(plan: TrayPlan, ppm: float, month: int) -> Tray:
    """Return the first estimate of a tray: it stands at its mark, with a ppm that nobody measured."""
    not_negative("Tray", "the concentration", ppm, "ppm")
    volume_l = plan.at_depth(plan.mark_mm(month))
    solids_mg = volume_l * max(ppm, 1.0)
    variances = (
        (3.0 * MARK_MM * plan.area_m2) ** 2,
        (FIRST_SHARE_SD * solids_mg) ** 2,
        DRAW_FACTOR_SD**2,
        INFLOW_SD**2,
    )
    rows = [[0.0] * _SIZE for _ in range(_SIZE)]
    for index, variance in enumerate(variances):
        rows[index][index] = variance
    return Tray(volume_l, solids_mg, 0.0, 0.0, _matrix(rows))


def after_day(
    tray: Tray,
    plan: TrayPlan,
    nominal_l: float,
    rain_mm: float = 0.0,
    rain_ppm: float = 5.0,
    noise: float = 0.0,
) -> Tray:
    """Return the estimate a day later, without what people gave.

    Args:
        tray: The estimate in the morning.
        plan: The tray.
        nominal_l: The draw-off of the day by its weather, see :meth:`TrayPlan.nominal_l`.
        rain_mm: The rain of the day; a covered tray gets none.
        rain_ppm: The dissolved solids of rain that falls straight into a tray (from memory, no source).
        noise: Relative uncertainty of the day's draw-off on top of :data:`DRAW_NOISE`, if its weather is only
            expected.
    """
    rain_l = 0.0 if plan.covered else rain_mm * plan.area_m2

    def day(x: Vector) -> Vector:
        flow = mixed(
            Balance(max(x[_V], 0.0), max(x[_S], 0.0)),
            rain_l,
            rain_ppm,
            nominal_l * math.exp(x[_DRAW]),
            plan.spill_l,
            plan.held_l,
        )
        kept = math.exp(-1.0 / INFLOW_DAYS)
        return flow.balance.volume_l, flow.balance.solids_mg, x[_DRAW], x[_INFLOW] * kept

    after = _propagated(tray, day)
    draw_l = nominal_l * math.exp(tray.log_draw)
    inflow_variance = INFLOW_SD**2 * (1.0 - math.exp(-2.0 / INFLOW_DAYS))
    return widened(
        after,
        (
            draw_l**2 * (DRAW_NOISE**2 + noise**2) + (RAIN_ERROR * rain_l) ** 2,
            (MIXING_PER_ROOT_DAY * after.solids_mg) ** 2,
            DRAW_WANDER_PER_ROOT_DAY**2,
            inflow_variance,
        ),
    )


def after_giving(tray: Tray, plan: TrayPlan, litres: float, ppm: float, ppm_sd: float = 0.0) -> Tray:
    """Return the estimate after so many litres were poured in; what is too much runs off.

    Args:
        tray: The estimate before.
        plan: The tray.
        litres: The litres given, by the can.
        ppm: Their dissolved solids.
        ppm_sd: The standard uncertainty of these.
    """
    not_negative("Tray", "the litres given", litres, "L")
    not_negative("Tray", "the concentration of the water given", ppm, "ppm")
    before = tray
    relative = ppm_sd / ppm if ppm > 0.0 else 0.0
    if relative**2 > tray.covariance[_INFLOW][_INFLOW]:
        # The reservoir's ppm is known less well than the tray's history suggests.
        extra = relative**2 - tray.covariance[_INFLOW][_INFLOW]
        before = widened(tray, (0.0, 0.0, 0.0, extra))

    def pour(x: Vector) -> Vector:
        water = Balance(max(x[_V], 0.0), max(x[_S], 0.0))
        flow = mixed(water, litres, ppm * math.exp(x[_INFLOW]), 0.0, plan.spill_l, plan.held_l)
        return flow.balance.volume_l, flow.balance.solids_mg, x[_DRAW], x[_INFLOW]

    after = _propagated(before, pour)
    stays = min(litres, max(plan.spill_l - tray.volume_l, 0.0))
    return widened(after, ((CAN_ERROR * stays) ** 2, (CAN_ERROR * stays * ppm) ** 2, 0.0, 0.0))


def after_filling(
    tray: Tray, plan: TrayPlan, litres: float, ppm: float, month: int, ppm_sd: float = 0.0
) -> Tray:
    """Return the estimate after so many litres were needed to fill the tray to its mark.

    This measures the volume before, and so the draw-off since the last filling.
    """
    variance = (MARK_MM * plan.area_m2) ** 2 + (CAN_ERROR * litres) ** 2
    before_l = plan.at_depth(plan.mark_mm(month)) - litres
    corrected = _corrected(tray, (1.0, 0.0, 0.0, 0.0), before_l - tray.volume_l, variance)
    return after_giving(corrected, plan, litres, ppm, ppm_sd)


def after_exchange(tray: Tray, litres: float, ppm: float) -> Tray:
    """Return the estimate after so many litres were tipped out and replaced."""
    not_negative("Tray", "the litres exchanged", litres, "L")
    share = min(litres / max(tray.volume_l, _FILM_L), 1.0)

    def tip(x: Vector) -> Vector:
        solids = (1.0 - share) * x[_S] + share * x[_V] * ppm * math.exp(x[_INFLOW])
        return x[_V], solids, x[_DRAW], x[_INFLOW]

    return _propagated(tray, tip)


def after_sample(tray: Tray, ppm: float, expanded_ppm: float, day: int) -> Tray:
    """Return the estimate after a hand sample.

    Args:
        tray: The estimate before.
        ppm: The reading.
        expanded_ppm: Its expanded uncertainty (k = 2).
        day: The ordinal of the day of the sample.
    """
    not_negative("Tray", "the sample", ppm, "ppm")
    # On a logarithmic scale a first guess that is far off is corrected without overshoot.
    reading = max(ppm, 0.5)
    variance = (0.5 * expanded_ppm / reading) ** 2 + (SAMPLING_PERCENT / 100.0) ** 2
    slope = tray._log_ppm_slope()
    difference = math.log(reading / max(tray.ppm, 0.5))
    best, spread = _gain(tray.covariance, slope, variance)
    # People see the volume better than a concentration could tell it, so the sample leaves it alone.
    share = 1.0 - variance / spread
    gain = (0.0, share * max(tray.solids_mg, _FILM_L), best[_DRAW], best[_INFLOW])
    return replace(
        tray,
        solids_mg=tray.ppm * math.exp(share * difference) * max(tray.volume_l, _FILM_L),
        log_draw=tray.log_draw + gain[_DRAW] * difference,
        log_inflow=tray.log_inflow + gain[_INFLOW] * difference,
        covariance=_reduced(tray.covariance, gain, slope, spread),
        sampled_day=day,
    )


# --- the filter's algebra -------------------------------------------------------------------------


def _propagated(tray: Tray, step: Callable[[Vector], Vector]) -> Tray:
    """Carry the estimate and its covariance through a step, with derivatives by central differences."""
    at: Vector = (tray.volume_l, tray.solids_mg, tray.log_draw, tray.log_inflow)
    widths = (
        max(1e-3 * tray.volume_l, 1e-4),
        max(1e-3 * tray.solids_mg, 1e-3),
        1e-3,
        1e-3,
    )
    columns = []
    for index, width in enumerate(widths):
        up, down = list(at), list(at)
        up[index] += width
        down[index] -= width
        high, low = step(_vector(up)), step(_vector(down))
        columns.append([(a - b) / (2.0 * width) for a, b in zip(high, low, strict=True)])
    rows = list(zip(*columns, strict=True))
    half = [
        [sum(a * b for a, b in zip(row, column, strict=True)) for column in tray.covariance] for row in rows
    ]
    full = [[sum(a * b for a, b in zip(row, other, strict=True)) for other in rows] for row in half]
    volume, solids, log_draw, log_inflow = step(at)
    return replace(
        tray,
        volume_l=volume,
        solids_mg=solids,
        log_draw=log_draw,
        log_inflow=log_inflow,
        covariance=_matrix(full),
    )


def widened(tray: Tray, variances: Vector) -> Tray:
    """Return the estimate with these variances added, in the order of the state."""
    rows = [list(row) for row in tray.covariance]
    for index, variance in enumerate(variances):
        rows[index][index] += variance
    return replace(tray, covariance=_matrix(rows))


def _corrected(tray: Tray, slope: Vector, innovation: float, variance: float) -> Tray:
    gain, spread = _gain(tray.covariance, slope, variance)
    moved = [gain[i] * innovation for i in range(_SIZE)]
    return replace(
        tray,
        volume_l=max(tray.volume_l + moved[_V], 0.0),
        solids_mg=max(tray.solids_mg + moved[_S], 0.0),
        log_draw=tray.log_draw + moved[_DRAW],
        log_inflow=tray.log_inflow + moved[_INFLOW],
        covariance=_reduced(tray.covariance, gain, slope, spread),
    )


def _gain(covariance: Matrix, slope: Vector, variance: float) -> tuple[Vector, float]:
    along = [sum(covariance[i][j] * slope[j] for j in range(_SIZE)) for i in range(_SIZE)]
    spread = sum(slope[i] * along[i] for i in range(_SIZE)) + variance
    return _vector([value / spread for value in along]), spread


def _reduced(covariance: Matrix, gain: Vector, slope: Vector, spread: float) -> Matrix:
    """Return the covariance after a correction with any gain, not only the best one."""
    along = [sum(covariance[i][j] * slope[j] for j in range(_SIZE)) for i in range(_SIZE)]
    return _matrix(
        [
            [
                covariance[i][j] - gain[i] * along[j] - along[i] * gain[j] + gain[i] * gain[j] * spread
                for j in range(_SIZE)
            ]
            for i in range(_SIZE)
        ]
    )


def _quadratic(slope: Vector, covariance: Matrix) -> float:
    return sum(slope[i] * covariance[i][j] * slope[j] for i in range(_SIZE) for j in range(_SIZE))


def _vector(values: list[float]) -> Vector:
    first, second, third, fourth = values
    return first, second, third, fourth


def _matrix(rows: list[list[float]]) -> Matrix:
    # Rounding must not make it lopsided.
    first, second, third, fourth = (
        _vector([0.5 * (rows[i][j] + rows[j][i]) for j in range(_SIZE)]) for i in range(_SIZE)
    )
    return first, second, third, fourth
