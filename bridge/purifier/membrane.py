"""The falling rejection of a membrane, its dependence on temperature, and the forecast of its end.

    ln(product / feed) = passage + warmth x (temperature - 25 °C)

The passage is a state that changes with the volume treated, and so is its rate of change: a membrane can age
slowly for years and then fail within weeks. How fast the rate itself may change is learned. A Kalman filter
runs for each of three hypotheses, and the likelihood of the samples weighs them; three terms on a small
computer need no library. The temperature coefficient is learned too, from a prior of 2 % per kelvin (common
practice, no source: makers give 1 to 4 %), so that a warm week does not look like a worn membrane. Standing
water in a membrane has more salt than its product, because salt diffuses without flow. Samples of it are left
out.
"""

import math
from dataclasses import dataclass, replace
from statistics import NormalDist

from bridge.errors import InputError, OutOfRangeError
from bridge.purifier.forecast import Cell, Expected, Forecast, from_cells
from bridge.units import plain

REFERENCE_C = 25.0
STANDING_LITRES = 2.0
"""The first litres after a start count as standing water (common practice, no source)."""

_PASSAGE_SD = 0.5
_AGEING_PER_M3 = 0.05
_WARMTH_PER_K = 0.02
_WARMTH_SD = 0.015
_NOISE_SD = 0.10
_WANDER_PER_M3 = 0.03
_INDEPENDENT_M3 = 0.05
_HYPOTHESES = ((0.08, 0.03, 0.88), (0.40, 0.60, 0.10), (1.50, 5.0, 0.02))
"""For each hypothesis: the deviation of the ageing (per m3) of a new membrane, by how much it changes over
a cubic metre, and the hypothesis' probability (common practice, no source)."""
_FORGET_PER_M3 = 0.15
"""Share of the evidence between the hypotheses that a cubic metre takes away: a sound membrane can fail
later."""
_OUTLIER_SD = 3.0
_LONGEST_L = 200_000.0
_QUANTILES = tuple((k + 0.5) / 20 for k in range(20))
_LEVELS = tuple((NormalDist().inv_cdf((k + 0.5) / 12), 1 / 12) for k in range(12))
_DRIFT_SHARE = 0.4
_UNLIKELY = 1e-4


@dataclass(frozen=True, slots=True)
class Membrane:
    """The estimate of a membrane.

    Attributes:
        ln_weights: the log weight of each hypothesis.
        bank: for each hypothesis the means of passage, ageing (per m3) and warmth (per K).
        covariances: for each hypothesis their covariance, row by row.
        treated_l: the litres treated.
        unused_l: the litres since the last sample that was used.
        samples: the number of samples used.
        off_l: the litres over which samples have been outliers on one side; negative for outliers below.
    """

    ln_weights: tuple[float, ...]
    bank: tuple[tuple[float, ...], ...]
    covariances: tuple[tuple[float, ...], ...]
    treated_l: float = 0.0
    unused_l: float = 0.0
    samples: int = 0
    off_l: float = 0.0

    @property
    def shares(self) -> tuple[float, ...]:
        """The probability of each hypothesis."""
        top = max(self.ln_weights)
        likely = [math.exp(one - top) for one in self.ln_weights]
        return tuple(one / sum(likely) for one in likely)

    @property
    def means(self) -> tuple[float, float, float]:
        """The means of passage, ageing and warmth over all hypotheses."""
        passage, ageing, warmth = (
            sum(share * means[i] for share, means in zip(self.shares, self.bank, strict=True))
            for i in range(3)
        )
        return passage, ageing, warmth


def begin(rated_rejection_percent: float) -> Membrane:
    """Return the estimate of a new membrane, from its rated rejection.

    Raises:
        InputError: If the rejection is outside 50 to 99.9 %.
    """
    if not 50.0 <= rated_rejection_percent <= 99.9:
        raise InputError(f"Membrane: a rejection of {rated_rejection_percent:g} %; give 50 to 99.9.")
    return from_passage(math.log(1.0 - rated_rejection_percent / 100.0))


def from_passage(ln_passage: float) -> Membrane:
    """Return the estimate of a membrane of which only the passage is known, as its logarithm."""
    means = (ln_passage, _AGEING_PER_M3, _WARMTH_PER_K)
    return Membrane(
        tuple(math.log(share) for _, _, share in _HYPOTHESES),
        (means,) * len(_HYPOTHESES),
        tuple(
            (_PASSAGE_SD**2, 0.0, 0.0, 0.0, ageing_sd**2, 0.0, 0.0, 0.0, _WARMTH_SD**2)
            for ageing_sd, _, _ in _HYPOTHESES
        ),
    )


def observe(
    membrane: Membrane,
    volume_l: float,
    feed_ppm: float,
    product_ppm: float,
    temperature_c: float,
    since_start_l: float,
) -> Membrane:
    """Return the membrane after ``volume_l`` more litres of product, with one sample at their end.

    A sample within STANDING_LITRES of a start adds to the volume only, and so does a sample with a product or
    feed of zero. Samples at short intervals have less weight each. An outlier counts as three standard
    deviations at most, until it has lasted for so many litres that it is no outlier.

    Raises:
        OutOfRangeError: If a value is negative or not finite, or the temperature is outside 0 to 50 °C.
    """
    for what, value in (("volume", volume_l), ("feed", feed_ppm), ("product", product_ppm)):
        if not (math.isfinite(value) and value >= 0.0):
            raise OutOfRangeError(f"Membrane: {what} is {value}; it must be zero or more.")
    if not 0.0 <= temperature_c <= 50.0:
        raise OutOfRangeError(f"Membrane: water at {temperature_c:g} °C; it must lie between 0 and 50 °C.")
    treated = membrane.treated_l + volume_l
    unused = membrane.unused_l + volume_l
    if since_start_l < STANDING_LITRES or feed_ppm == 0.0 or product_ppm == 0.0 or unused == 0.0:
        return replace(membrane, treated_l=treated, unused_l=unused)
    gap_m3 = unused / 1000.0
    seen = math.log(product_ppm / feed_ppm)
    basis = (1.0, 0.0, temperature_c - REFERENCE_C)
    noise = _NOISE_SD**2 * max(1.0, _INDEPENDENT_M3 / gap_m3)
    worth = min(1.0, gap_m3 / _INDEPENDENT_M3)
    lasting = abs(membrane.off_l) >= 1000.0 * _INDEPENDENT_M3
    predicted = [
        _grown(mean, held, change, gap_m3)
        for (_, change, _), mean, held in zip(_HYPOTHESES, membrane.bank, membrane.covariances, strict=True)
    ]
    ln_weights, bank, covariances = [], [], []
    off = 0
    shares = membrane.shares
    likeliest = shares.index(max(shares))
    keep = math.exp(-_FORGET_PER_M3 * gap_m3)
    for k, ((_, _, share), ln_weight, (mean, covariance)) in enumerate(
        zip(_HYPOTHESES, membrane.ln_weights, predicted, strict=True)
    ):
        along = [sum([covariance[3 * i + j] * basis[j] for j in range(3)]) for i in range(3)]
        total = noise + sum([b * a for b, a in zip(basis, along, strict=True)])
        surprise = seen - sum([m * b for m, b in zip(mean, basis, strict=True)])
        most = _OUTLIER_SD * math.sqrt(total)
        if abs(surprise) > most:
            if k == likeliest:
                off = 1 if surprise > 0.0 else -1
            if not (lasting and surprise * membrane.off_l > 0.0):
                surprise = math.copysign(most, surprise)
        fits = -0.5 * worth * (surprise * surprise / total + math.log(total))
        prior = math.log(share)
        ln_weights.append(prior + keep * (ln_weight - prior) + fits)
        bank.append(tuple([m + a * surprise / total for m, a in zip(mean, along, strict=True)]))
        covariances.append(
            tuple([covariance[3 * i + j] - along[i] * along[j] / total for i in range(3) for j in range(3)])
        )
    off_l = 0.0 if off == 0 else (max(off * membrane.off_l, 0.0) + unused) * off
    top = max(ln_weights)
    return Membrane(
        tuple([one - top for one in ln_weights]),
        tuple(bank),
        tuple(covariances),
        treated,
        0.0,
        membrane.samples + 1,
        off_l,
    )


def _grown(
    mean: tuple[float, ...], held: tuple[float, ...], change: float, gap_m3: float
) -> tuple[tuple[float, ...], list[float]]:
    """Return means and covariance after some volume: the passage grows by its rate, and the rate wanders."""
    passage, ageing, warmth = mean
    c = list(held)
    cross = c[1] + gap_m3 * c[4]
    c[0] += 2.0 * gap_m3 * held[1] + gap_m3**2 * held[4] + _WANDER_PER_M3**2 * gap_m3
    c[0] += change**2 * gap_m3**3 / 3.0
    c[1] = c[3] = cross + change**2 * gap_m3**2 / 2.0
    c[2] = c[6] = held[2] + gap_m3 * held[5]
    c[4] += change**2 * gap_m3
    return (passage + gap_m3 * ageing, ageing, warmth), c


def rejection_percent(membrane: Membrane, temperature_c: float = REFERENCE_C) -> float:
    """Return the present rejection in per cent, normalised to a temperature."""
    passage, _, warmth = membrane.means
    return 100.0 * (1.0 - math.exp(passage + warmth * (temperature_c - REFERENCE_C)))


def forecast(
    membrane: Membrane,
    limit_ppm: float,
    feed: Expected,
    warmest_c: float,
    use_l_per_day: Expected,
    lead_days: float,
) -> Forecast:
    """Forecast the litres and days until the product crosses the limit in the warmest expected water.

    The forecast is for the warmest water all year, so that it does not swing with the season.

    Raises:
        InputError: If the limit is not above zero, or the lead time is negative.
    """
    if not (math.isfinite(limit_ppm) and limit_ppm > 0.0):
        raise InputError(f"Membrane: a limit of {limit_ppm:g} ppm; it must be above zero.")
    rests_on = (
        f"{membrane.samples} samples; rejection {rejection_percent(membrane):.1f} % at {REFERENCE_C:g} °C; "
        f"water up to {warmest_c:g} °C; feed {plain(feed.mean)} ± {plain(feed.sd, '.2g')} ppm"
    )
    return from_cells(_cells(membrane, limit_ppm, feed, warmest_c), use_l_per_day, lead_days, rests_on)


def _cells(membrane: Membrane, limit_ppm: float, feed: Expected, warmest_c: float) -> list[Cell]:
    """Return the litres left, for quantiles of the ageing (above zero) and of the present passage."""
    room = math.log(limit_ppm / feed.mean)
    warm = warmest_c - REFERENCE_C
    cells: list[Cell] = []
    for likely, (_, change, _), means, c in zip(
        membrane.shares, _HYPOTHESES, membrane.bank, membrane.covariances, strict=True
    ):
        if likely < _UNLIKELY:
            continue
        passage, ageing, warmth = means
        now = passage + warmth * warm
        variance = c[0] + 2.0 * warm * c[2] + warm * warm * c[8]
        cross = c[1] + warm * c[5]
        pull = cross / c[4]
        known = max(variance - cross * pull, 0.0) + (feed.sd / feed.mean) ** 2
        normal = NormalDist(ageing, math.sqrt(c[4]))
        nothing = normal.cdf(0.0)
        for quantile in _QUANTILES:
            rate = max(normal.inv_cdf(min(nothing + quantile * (1.0 - nothing), 1.0 - 1e-9)), 1e-4)
            gap = room - now - pull * (rate - ageing)
            ahead = min(max(gap, 0.0) / rate, _LONGEST_L / 1000.0)
            # Until then passage and rate wander on, the mean rate by half of itself at most.
            drift = min(change**2 * ahead**3 / 3.0, (_DRIFT_SHARE * rate * ahead) ** 2)
            rest = math.sqrt(known + _WANDER_PER_M3**2 * ahead + drift)
            for offset, share in _LEVELS:
                litres = min(max((gap - offset * rest) / rate * 1000.0, 0.0), _LONGEST_L)
                cells.append((litres, litres, likely * share / len(_QUANTILES)))
    return cells
