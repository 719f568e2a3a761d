"""The water of a reservoir as an estimate: its concentration, with all that is uncertain about it.

**State.** Six numbers with one covariance: the concentration c in ppm, the volume V in litres, the error g
of the cell (a relative gain: true product = reading · (1 + g + u s)), the error s of the compensation and the
thermometer in standard uncertainties u of each product, the error m of the hand meter in use, in its own
standard uncertainties, and the dust d that falls in, in ppm a day. The cell has one
error for all fills, so it does not average out. The same holds for a hand meter and its samples: one that
reads 1 % high at 5 ppm reads 1 % high at 40 ppm. The error s belongs to a kind of water and a
season: it fades with a time constant of a month. It has no unit, because nearly pure product is known to 30 %
and salty product to 2 %: a sample that finds a third too much of the one is no evidence for a third too much
of the other. Product that no probe has measured has an error of its own, which says nothing of other product.

**Balance.** An inflow of Δ litres of q ppm gives c' = (c V + q Δ) / (V + Δ). Draw-off leaves c. Evaporation
of e litres gives c' = c V / (V - e). Dust only adds, so c grows by d each day, and a garden keeps its d: all
that nobody knows of it adds up, until a sample shows it. The covariance follows with the derivatives (an
extended Kalman filter, R. E. Kalman, J. Basic Eng. 82 (1960) 35).

**Sample.** A hand sample reads c + u m, where u is the standard uncertainty of the meter at this value.
Because c holds the product of earlier fills, c and g are correlated, and the sample corrects both. A first
sample stands as it was read.

A display rounds the same water to the same number. So the same number again is no evidence, as long as the
estimate has not moved or widened by as much as one number of this meter is uncertain.

If sample and balance contradict each other beyond :data:`CONTRADICTION` standard deviations, the balance has
missed something, such as a bucket of tap water. Then the concentration follows the sample, and the cell is
not blamed. The watch over the cell looks at such contradictions.

No water has less than 0 ppm. Where sample and balance together reach below, the distribution is cut off
there, or a poor meter would put nearly pure water below zero, and the interval would miss the truth above it.

**Basis.** ``assumed`` while more than :data:`ASSUMED_SHARE` of the water is the water of the first day that
nobody measured, ``sample`` while at least half of the water has been sampled, else ``balance``.

Pure values; memory is constant.
"""

import math
from dataclasses import dataclass, replace
from enum import StrEnum

from bridge.errors import OutOfRangeError
from bridge.estimate.covariance import (
    Matrix,
    alone,
    bounded,
    diagonal,
    identity,
    propagated,
    updated,
    with_variance,
    zeros,
)
from bridge.estimate.verdict import COVERAGE_FACTOR, SMALLEST_EXPANDED_PPM, Judgement, decide

SIZE = 6
_C, _V, _G, SEASON, METER, DUST = range(SIZE)
"""The places of the numbers in the covariance."""
_FILM_L = 1e-6

ASSUMED_PPM_SD = 15.0
"""Standard uncertainty of a first value that nobody measured, at least; else half of the value (common
practice, no source)."""
RAIN_PPM = 10.0
RAIN_PPM_SD = 8.0
"""Rain from a roof and its standard uncertainty (from memory, no source)."""
DUST_PPM_PER_DAY, DUST_SD = 0.036, 0.026
"""What dust and leaves add in a day, and its standard uncertainty: mean and standard deviation of a lognormal
distribution of gardens with the median 0.03 and a factor of 1.8 (common practice, no source)."""
WANDER_PPM_PER_ROOT_DAY = 0.05
"""Single leaves and all that no balance holds, for the root of a day (common practice, no source)."""
SAMPLING_PERCENT = 2.0
"""Standard uncertainty of a sample, because a reservoir is not evenly mixed (common practice, no source)."""
SEASON_DAYS = 30.0
"""Time constant of the error of the compensation."""
ASSUMED_SHARE = 0.2
CONTRADICTION = 3.0


class Basis(StrEnum):
    """The evidence for the concentration of a reservoir."""

    ASSUMED = "assumed"
    BALANCE = "balance"
    SAMPLE = "sample"


@dataclass(frozen=True, slots=True)
class Reservoir:
    """The estimate of one reservoir."""

    ppm: float
    volume_l: float
    cell_gain: float
    """The estimated relative error g of the cell. Positive: the product has more solids than the cell reads.
    """
    season_error: float
    """The estimated error s, in standard uncertainties of the product."""
    meter_error: float
    """The estimated error of the hand meter in use, in its standard uncertainties."""
    dust_ppm_day: float
    covariance: Matrix
    assumed_share: float = 1.0
    """Share of the water that nobody has measured since the first day."""
    sampled_share: float = 0.0
    """Share of the water that was there at the last sample."""
    sampled_s: float | None = None
    """The time of the last sample, seconds of the caller's clock."""
    meter: str = ""
    """The hand meter of the last sample."""
    last: "Counted | None" = None
    """The last sample that counted."""

    @property
    def basis(self) -> Basis:
        """The evidence for the concentration."""
        if self.sampled_share >= 0.5:
            return Basis.SAMPLE
        return Basis.ASSUMED if self.assumed_share > ASSUMED_SHARE else Basis.BALANCE

    @property
    def expanded_ppm(self) -> float:
        """Expanded uncertainty (k = 2) of the concentration."""
        return max(COVERAGE_FACTOR * math.sqrt(self.covariance[_C][_C]), SMALLEST_EXPANDED_PPM)

    @property
    def volume_expanded_l(self) -> float:
        """Expanded uncertainty (k = 2) of the volume."""
        return COVERAGE_FACTOR * math.sqrt(self.covariance[_V][_V])

    @property
    def cell_gain_percent(self) -> tuple[float, float]:
        """The error of the cell and its standard uncertainty, in per cent."""
        return 100.0 * self.cell_gain, 100.0 * math.sqrt(self.covariance[_G][_G])


@dataclass(frozen=True, slots=True)
class Counted:
    """A hand sample that counted, with the estimate right after it."""

    shown_ppm: float
    ppm: float
    variance: float


@dataclass(frozen=True, slots=True)
class Contradiction:
    """A hand sample against the balance, before it corrects the estimate."""

    difference_ppm: float
    """The sample less the balance."""
    standard_deviation_ppm: float
    """What the difference is expected to be, k = 1."""

    @property
    def z(self) -> float:
        """The difference in standard deviations."""
        return self.difference_ppm / self.standard_deviation_ppm


def begin(assumed_ppm: float, volume_l: float, *, volume_sd_l: float, cell_percent: float) -> Reservoir:
    """Return the first estimate, of a value that nobody measured.

    Args:
        assumed_ppm: the assumed concentration.
        volume_l: the volume.
        volume_sd_l: standard uncertainty of the volume.
        cell_percent: standard uncertainty of the cell constant now.
    """
    _not_negative("assumed concentration", assumed_ppm, "ppm")
    _not_negative("volume", volume_l, "L")
    sd_ppm = max(ASSUMED_PPM_SD, 0.5 * assumed_ppm)
    variances = (
        sd_ppm**2,
        volume_sd_l**2,
        (0.01 * cell_percent) ** 2,
        1.0,
        0.0,
        DUST_SD**2,
    )
    volume_l = max(volume_l, _FILM_L)
    return Reservoir(assumed_ppm, volume_l, 0.0, 0.0, 0.0, DUST_PPM_PER_DAY, diagonal(variances))


def own_percent_of(ppm: float, expanded_ppm: float, cell_percent: float) -> float:
    """Return what of a product's uncertainty is not that of its cell: k = 1, in per cent of the value.

    Args:
        ppm: the product.
        expanded_ppm: its whole expanded uncertainty (k = 2).
        cell_percent: the standard uncertainty of the cell constant in it.
    """
    if ppm <= 0.0:
        return 100.0
    whole = 100.0 * expanded_ppm / COVERAGE_FACTOR / ppm
    return math.sqrt(max(whole * whole - cell_percent * cell_percent, 0.0))


def filled(
    before: Reservoir,
    litres: float,
    product_ppm: float,
    *,
    own_percent: float,
    litres_sd: float = 0.0,
    unmeasured_ppm: float = 0.0,
) -> Reservoir:
    """Return the estimate after an inflow of product.

    May be called for a whole fill or for its parts: the errors of the product are the same for all parts.

    Args:
        before: the estimate.
        litres: the inflow.
        product_ppm: the mean reading of the product during the inflow, without a guard band.
        own_percent: see :func:`own_percent_of`.
        litres_sd: standard uncertainty of the inflow.
        unmeasured_ppm: what product that no probe has measured adds to the mean, which may be twice as much
            or nothing.
    """
    true_ppm = true_of(before, product_ppm, own_percent) + unmeasured_ppm
    # The cell itself, the season and the water of pure water: a small part is new with every inflow.
    ppm_sd = math.hypot(0.05, unmeasured_ppm)
    return _inflow(before, litres, true_ppm, product_ppm, ppm_sd, litres_sd, own_percent)


def true_of(estimate: Reservoir, shown: float, own_percent: float) -> float:
    """Return what the product holds for what its cell shows, in the same unit, by the estimated errors."""
    return max(shown * (1.0 + estimate.cell_gain + 0.01 * own_percent * estimate.season_error), 0.0)


def rained(before: Reservoir, litres: float, ppm: float = RAIN_PPM, ppm_sd: float = RAIN_PPM_SD) -> Reservoir:
    """Return the estimate after an inflow of rain."""
    return _inflow(before, litres, ppm, 0.0, ppm_sd, 0.05 * litres)


def poured(before: Reservoir, litres: float, ppm: float, ppm_sd: float, litres_sd: float) -> Reservoir:
    """Return the estimate after water of another source was poured in, with its uncertainties (k = 1)."""
    return _inflow(before, litres, ppm, 0.0, ppm_sd, litres_sd)


def drawn(before: Reservoir, litres: float, litres_sd: float = 0.0) -> Reservoir:
    """Return the estimate after a draw-off. The concentration stays."""
    _not_negative("draw-off", litres, "L")
    left_l = max(before.volume_l - litres, _FILM_L)
    after = replace(before, volume_l=left_l)
    variance = before.covariance[_V][_V] + litres_sd**2
    return replace(after, covariance=with_variance(before.covariance, _V, variance))


def evaporated(before: Reservoir, litres: float, litres_sd: float = 0.0) -> Reservoir:
    """Return the estimate after evaporation, which leaves the solids behind."""
    _not_negative("evaporation", litres, "L")
    litres = min(litres, 0.99 * before.volume_l)
    left_l = before.volume_l - litres
    jacobian = identity(SIZE)
    jacobian[_C][_C] = before.volume_l / left_l
    volume_sd_l = math.sqrt(before.covariance[_V][_V])
    jacobian[_C][_V] = _at_most(-before.ppm * litres / left_l**2, before.ppm, volume_sd_l)
    litres_sd = min(litres_sd, 0.3 * left_l)
    per_litre = before.ppm * before.volume_l / left_l**2
    noise = zeros(SIZE)
    noise[_C][_C] = (per_litre * litres_sd) ** 2
    noise[_V][_V] = litres_sd**2
    noise[_C][_V] = noise[_V][_C] = -per_litre * litres_sd**2
    return replace(
        before,
        ppm=before.ppm * before.volume_l / left_l,
        volume_l=left_l,
        covariance=propagated(jacobian, before.covariance, noise),
    )


def located(before: Reservoir, volume_l: float, volume_sd_l: float) -> Reservoir:
    """Return the estimate at a volume that no earlier volume has anything to do with."""
    _not_negative("measured volume", volume_l, "L")
    covariance = alone(before.covariance, _V, volume_sd_l**2)
    return replace(before, volume_l=max(volume_l, _FILM_L), covariance=covariance)


def volume_seen(before: Reservoir, volume_l: float, volume_sd_l: float) -> Reservoir:
    """Return the estimate after a measurement of the volume, with the standard uncertainty of the sensor.

    The error of a level sensor is the same for every reading. So many readings are not better than one, and
    the concentration of a mixture of volumes by this sensor is no better known after the next reading.
    """
    _not_negative("measured volume", volume_l, "L")
    after = replace(before, volume_l=max(volume_l, _FILM_L))
    own = before.covariance[_V][_V]
    if own <= volume_sd_l**2:
        return after
    smaller = identity(SIZE)
    smaller[_V][_V] = volume_sd_l / math.sqrt(own)
    return replace(after, covariance=propagated(smaller, before.covariance, zeros(SIZE)))


def aged(before: Reservoir, days: float, *, drift_percent_per_year: float) -> Reservoir:
    """Return the estimate after some time. The cell drifts, dust falls in, and what no balance holds."""
    _not_negative("time", days, "days")
    fade = math.exp(-days / SEASON_DAYS)
    jacobian = identity(SIZE)
    jacobian[SEASON][SEASON] = fade
    jacobian[_C][DUST] = days
    noise = zeros(SIZE)
    noise[_C][_C] = WANDER_PPM_PER_ROOT_DAY**2 * days
    noise[_G][_G] = (0.01 * drift_percent_per_year) ** 2 * days / 365.25
    noise[SEASON][SEASON] = 1.0 - fade * fade
    return replace(
        before,
        ppm=before.ppm + before.dust_ppm_day * days,
        season_error=before.season_error * fade,
        covariance=propagated(jacobian, before.covariance, noise),
    )


@dataclass(frozen=True, slots=True)
class HandSample:
    """A hand sample of the reservoir, on the scale of the limit. Uncertainties are standard ones (k = 1)."""

    ppm: float
    common_ppm: float
    """What all samples with this meter share, such as its full scale."""
    own_ppm: float
    """What belongs to this sample alone, such as one step of the display."""
    meter: str
    """The id of the meter. Another meter than before has another error."""
    below_resolution: bool = False
    """True if the meter showed 0, and ``ppm`` is a quarter of a step. Then the sample is an upper bound of
    half a step, because a meter that reads low shows 0 for many waters."""


def contradiction(before: Reservoir, sample: HandSample) -> Contradiction:
    """Return how far a hand sample is from the balance."""
    before = _with_meter(before, sample)
    p, u = before.covariance, sample.common_ppm
    variance = p[_C][_C] + 2.0 * u * p[_C][METER] + u * u * p[METER][METER] + _sample_variance(sample)
    difference_ppm = sample.ppm - before.ppm - u * before.meter_error
    if sample.below_resolution:
        difference_ppm = min(difference_ppm + sample.ppm, 0.0)
    return Contradiction(difference_ppm, math.sqrt(variance))


def sampled(before: Reservoir, sample: HandSample, at_s: float, *, in_full: bool = False) -> Reservoir:
    """Return the estimate after a hand sample.

    Args:
        before: the estimate.
        sample: the sample.
        at_s: its time, seconds of the caller's clock.
        in_full: True if the concentration follows the sample, whatever the balance says.
    """
    _not_negative("sample", sample.ppm, "ppm")
    before = _with_meter(before, sample)
    found = contradiction(before, sample)
    anew = in_full or abs(found.z) > CONTRADICTION
    if not anew and _is_repeated(before, sample):
        return replace(before, assumed_share=0.0, sampled_share=1.0, sampled_s=at_s)
    if anew:
        # The balance has missed something. Its concentration is no evidence any more.
        variance = max(1e4 * max(found.difference_ppm**2, sample.common_ppm**2), before.covariance[_C][_C])
        before = replace(before, covariance=alone(before.covariance, _C, variance))
    shown = zeros(SIZE)[0]
    shown[_C], shown[METER] = 1.0, sample.common_ppm
    if sample.below_resolution and not anew:
        above_ppm = 2.0 * sample.ppm - before.ppm - sample.common_ppm * before.meter_error
        steps = bounded(before.covariance, shown, above_ppm, _sample_variance(sample))
    else:
        # Without a balance, a meter that shows 0 is a value as any other: no water has less than 0 ppm.
        difference_ppm = sample.ppm - before.ppm - sample.common_ppm * before.meter_error
        steps = updated(before.covariance, shown, difference_ppm, _sample_variance(sample))
    if not anew:
        steps = _not_below_zero(before.ppm, *steps)
    after = _moved(before, steps)
    last = Counted(sample.ppm, after.ppm, after.covariance[_C][_C])
    return replace(after, assumed_share=0.0, sampled_share=1.0, sampled_s=at_s, last=last)


def _not_below_zero(ppm: float, steps: list[float], covariance: Matrix) -> tuple[list[float], Matrix]:
    """Return the steps and the covariance of an update after the concentration is cut off at zero."""
    shown = zeros(SIZE)[0]
    shown[_C] = -1.0
    more, covariance = bounded(covariance, shown, ppm + steps[_C], 0.0)
    return [one + another for one, another in zip(steps, more, strict=True)], covariance


def recalibrated(before: Reservoir, cell_percent: float) -> Reservoir:
    """Return the estimate after the cell was calibrated or changed: its old error is no evidence any more."""
    after = replace(before, cell_gain=0.0)
    return replace(after, covariance=alone(after.covariance, _G, (0.01 * cell_percent) ** 2))


def doubted(before: Reservoir, cell_percent: float) -> Reservoir:
    """Return the estimate with at least this standard uncertainty of the cell, after it became doubtful."""
    variance = max(before.covariance[_G][_G], (0.01 * cell_percent) ** 2)
    return replace(before, covariance=with_variance(before.covariance, _G, variance))


def judged(estimate: Reservoir, limit_ppm: float, target_ppm: float) -> Judgement:
    """Return the judgement on the water of the reservoir."""
    return decide(estimate.ppm, estimate.expanded_ppm, limit_ppm, target_ppm)


def _inflow(
    before: Reservoir,
    litres: float,
    ppm: float,
    through_cell_ppm: float,
    ppm_sd: float,
    litres_sd: float,
    own_percent: float = 0.0,
) -> Reservoir:
    """Return the estimate after an inflow of which ``through_cell_ppm`` has the error of the cell."""
    _not_negative("inflow", litres, "L")
    _not_negative("concentration of the inflow", ppm, "ppm")
    whole_l = before.volume_l + litres
    kept, new = before.volume_l / whole_l, litres / whole_l
    jacobian = identity(SIZE)
    jacobian[_C][_C] = kept
    # The mixture lies between both waters, however little is known of the volumes.
    furthest_ppm = 0.5 * abs(before.ppm - ppm)
    volume_sd_l = math.sqrt(before.covariance[_V][_V])
    # The slope to a volume that is smaller by its uncertainty, because a mixture is no straight line in it.
    least_l = whole_l - min(volume_sd_l, before.volume_l)
    jacobian[_C][_V] = _at_most(new * (before.ppm - ppm) / max(least_l, _FILM_L), furthest_ppm, volume_sd_l)
    jacobian[_C][_G] = new * through_cell_ppm
    jacobian[_C][SEASON] = new * through_cell_ppm * 0.01 * own_percent
    by_litre = _at_most(kept * (ppm - before.ppm) / whole_l, furthest_ppm, litres_sd)
    noise = zeros(SIZE)
    noise[_C][_C] = (new * ppm_sd) ** 2 + (by_litre * litres_sd) ** 2
    noise[_V][_V] = litres_sd**2
    noise[_C][_V] = noise[_V][_C] = by_litre * litres_sd**2
    return replace(
        before,
        ppm=kept * before.ppm + new * ppm,
        volume_l=whole_l,
        covariance=propagated(jacobian, before.covariance, noise),
        assumed_share=before.assumed_share * kept,
        sampled_share=before.sampled_share * kept,
    )


def _at_most(per_litre: float, furthest_ppm: float, sd_l: float) -> float:
    if abs(per_litre) * sd_l <= furthest_ppm:
        return per_litre
    return math.copysign(furthest_ppm / sd_l, per_litre)


def _is_repeated(before: Reservoir, sample: HandSample) -> bool:
    """Return whether the meter has shown this number of water that is the same for all it can show."""
    last, own_ppm = before.last, sample.own_ppm
    if last is None or not math.isclose(last.shown_ppm, sample.ppm, rel_tol=1e-9):
        return False
    is_near = abs(before.ppm - last.ppm) < own_ppm
    return is_near and before.covariance[_C][_C] - last.variance < own_ppm**2


def _sample_variance(sample: HandSample) -> float:
    return sample.own_ppm**2 + (0.01 * SAMPLING_PERCENT * sample.ppm) ** 2


def _with_meter(before: Reservoir, sample: HandSample) -> Reservoir:
    if before.meter == sample.meter and before.covariance[METER][METER] > 0.0:
        return before
    covariance = alone(before.covariance, METER, 1.0)
    return replace(before, meter=sample.meter, meter_error=0.0, covariance=covariance, last=None)


def _moved(before: Reservoir, found: tuple[list[float], Matrix]) -> Reservoir:
    (c, v, g, s, m, d), covariance = found
    return replace(
        before,
        ppm=max(before.ppm + c, 0.0),
        volume_l=max(before.volume_l + v, _FILM_L),
        cell_gain=before.cell_gain + g,
        season_error=before.season_error + s,
        meter_error=before.meter_error + m,
        dust_ppm_day=max(before.dust_ppm_day + d, 0.0),
        covariance=covariance,
    )


def _not_negative(what: str, value: float, unit: str) -> None:
    if not 0.0 <= value < math.inf:
        raise OutOfRangeError(f"Reservoir: the {what} is {value} {unit}; it must be zero or more")
