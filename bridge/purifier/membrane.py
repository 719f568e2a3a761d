"""The falling rejection of a membrane, its dependence on temperature, and the forecast of its end.

    ln(product / feed) = passage + warmth x (temperature - 25 °C)

The passage grows, at a rate that is not known and that changes: a membrane can age slowly for years, quicken,
or fail within weeks. It can age with time or with the litres treated; this clock is not known either. So the
state is a grid. Each node is a clock and a rate, evenly spaced in ln(rate), from one e-fold of the passage in
decades to one in days. At each node a Kalman filter follows passage and warmth, and the samples weigh the
nodes (an interacting multiple model). Between two samples

- a rate wanders to its neighbours, the more the older the membrane has become, and rather up than down;
- a rate can jump: seldom, but to any other, so that a sound membrane can begin to fail.

A sample can be an outlier: its noise is normal or, seldom, several times as wide. The noise is learned. The
temperature coefficient is learned too, from a prior of 2 % per kelvin (common practice, no source: makers
give 1 to 4 %), so that a warm week does not look like a worn membrane. Standing water in a membrane has more
salt than its product, because salt diffuses without flow. Samples of it are left out.

By hand instead of a library: a filter of two terms is a few lines, and numpy alone is over 50 MB on a small
computer.
"""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from statistics import NormalDist

from bridge.errors import InputError, OutOfRangeError
from bridge.purifier.forecast import Forecast, from_cells
from bridge.purifier.season import Expected
from bridge.units import plain

REFERENCE_C = 25.0
STANDING_LITRES = 2.0
"""The first litres after a start count as standing water (common practice, no source)."""

NODES = 18
"""Rates of each clock."""
_LN_STEP = 0.45
_FIRST_RATES = (1e-4, 0.01)
"""The lowest rate of each clock: a day by time, a cubic metre by litres."""
_RATES = tuple(first * math.exp(k * _LN_STEP) for first in _FIRST_RATES for k in range(NODES))
_ALL = len(_RATES)

_TYPICAL_RATES = (1.0 / 700.0, 0.12)
_TYPICAL_LN_SD = 1.0
_ANY_RATE = 0.08
"""The prior of the rate: this share is even over all rates, the rest is normal in ln(rate) around the typical
one (common practice, no source)."""
_JUMPS_PER_DAY = 1.0 / 2000.0
"""Half of the jumps are failures: one in eleven years (common practice, no source)."""
_JUMP_SD = 0.1
"""A jump of the rate can begin with a jump of the passage."""
_FAST_RATES = ((0.01, 0.25), (0.3, 20.0))
"""Half of the jumps lead to a rate between these, the others to any rate of the prior."""
_QUICKENS = 0.25
_QUICKENS_SD = 0.5
_LEAST_QUICKENS = -0.6
"""The rate goes with this power of the age, and by how much the power differs: 0 is even ageing."""
_SPREAD_SD = 0.6
"""While the passage grows by one e-fold, ln(rate) also wanders by this deviation."""
_FIRST_AGES = (15.0, 0.2)
"""A new membrane counts as so old, in days and cubic metres."""
_JUMP_TIMES = ((0.02, 0.04), (0.08, 0.08), (0.2, 0.16), (0.44, 0.32), (0.8, 0.4))
"""When a jump comes in a forecast, as a share of the time that the membrane would last without it, and the
chance of this: the early ones are finer, because they decide the low end of the interval."""
_MOST_MOVED = 0.8

_PASSAGE_SD = 0.5
_WARMTH_PER_K = 0.02
_WARMTH_SD = 0.015
_WANDER_PER_DAY = 0.012
_NOISE_SD = 0.07
_NOISE_FREEDOM = 6.0
_NOISE_KEPT = 0.99
_LEAST_NOISE_SD = 0.01
_OUTLIERS = 0.03
_OUTLIER_SD = 0.5
_INDEPENDENT_DAYS = 1.5
_LEAST_GAP_DAYS = 0.02
"""A sample sooner than this after another one tells nothing new."""

_FEW = tuple(NormalDist().inv_cdf((k + 0.5) / 7) if k != 3 else 0.0 for k in range(7))
_LONGEST_DAYS = 7304.0
_UNLIKELY = 1e-4


@dataclass(frozen=True, slots=True)
class Membrane:
    """The estimate of a membrane. Each tuple has one value for each node.

    Attributes:
        weights: the probabilities of the nodes.
        passages: the means of the passage.
        warmths: the means of the warmth, per kelvin.
        variances: the variances of the passage.
        crosses: the covariances of passage and warmth.
        warmth_variances: the variances of the warmth.
        noise: the variance of a sample.
        freedom: the effective number of samples behind the noise.
        day: the day up to which the estimate is made; None before the first call.
        age_days: the days since the membrane was new.
        treated_l: the litres treated.
        unused_l: the litres since the last sample that was used.
        unused_days: the days since then.
        samples: the number of samples used.
    """

    weights: tuple[float, ...]
    passages: tuple[float, ...]
    warmths: tuple[float, ...]
    variances: tuple[float, ...]
    crosses: tuple[float, ...]
    warmth_variances: tuple[float, ...]
    noise: float = _NOISE_SD**2
    freedom: float = _NOISE_FREEDOM
    day: float | None = None
    age_days: float = 0.0
    treated_l: float = 0.0
    unused_l: float = 0.0
    unused_days: float = 0.0
    samples: int = 0

    @property
    def passage(self) -> float:
        """The mean of ln(product / feed) at the reference temperature."""
        return sum([weight * one for weight, one in zip(self.weights, self.passages, strict=True)])

    @property
    def warmth(self) -> float:
        """The mean of the temperature coefficient, per kelvin."""
        return sum([weight * one for weight, one in zip(self.weights, self.warmths, strict=True)])


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
    return Membrane(
        _PRIOR,
        (ln_passage,) * _ALL,
        (_WARMTH_PER_K,) * _ALL,
        (_PASSAGE_SD**2,) * _ALL,
        (0.0,) * _ALL,
        (_WARMTH_SD**2,) * _ALL,
    )


def _prior_of(clock: int) -> list[float]:
    """Return the prior of the rates of a clock; its sum is one."""
    rates = _RATES[clock * NODES : (clock + 1) * NODES]
    offs = [math.log(rate / _TYPICAL_RATES[clock]) / _TYPICAL_LN_SD for rate in rates]
    near = [math.exp(-0.5 * off * off) for off in offs]
    return [(1.0 - _ANY_RATE) * one / sum(near) + _ANY_RATE / NODES for one in near]


def _jumps_of(clock: int) -> list[float]:
    """Return the probabilities of the rates after a jump; their sum is one."""
    low, high = _FAST_RATES[clock]
    fast = [low <= rate <= high for rate in _RATES[clock * NODES : (clock + 1) * NODES]]
    return [
        0.5 * one + 0.5 * is_fast / sum(fast) for one, is_fast in zip(_prior_of(clock), fast, strict=True)
    ]


def _after_jump(clock: int) -> list[tuple[float, float]]:
    """Return the rates to which a jump leads in a forecast, with their probabilities."""
    likely = [
        (rate, part)
        for rate, part in zip(_RATES[clock * NODES : (clock + 1) * NODES], _JUMPS[clock], strict=True)
        if part > 0.02
    ]
    return [(rate, part / sum([one for _, one in likely])) for rate, part in likely]


_PRIOR = tuple(0.5 * one for clock in range(2) for one in _prior_of(clock))
_JUMPS = (_jumps_of(0), _jumps_of(1))
_AFTER_JUMP = (_after_jump(0), _after_jump(1))


def observe(
    membrane: Membrane,
    volume_l: float,
    feed_ppm: float,
    product_ppm: float,
    temperature_c: float,
    since_start_l: float,
    day: float,
) -> Membrane:
    """Return the membrane after ``volume_l`` more litres of product, with one sample at their end.

    A sample within STANDING_LITRES of a start adds to volume and time only, and so does a sample with a
    product or feed of zero, or one that follows another within minutes. Samples of one day have less weight
    each.

    Args:
        membrane: the estimate before.
        volume_l: the litres since the last call.
        feed_ppm: the feed.
        product_ppm: the product.
        temperature_c: the temperature of the water.
        since_start_l: the litres since the water began to flow.
        day: the time of the sample, in days from any fixed date.

    Raises:
        OutOfRangeError: If a value is negative or not finite, or the temperature is outside 0 to 50 °C.
    """
    for what, value in (("volume", volume_l), ("feed", feed_ppm), ("product", product_ppm)):
        if not (math.isfinite(value) and value >= 0.0):
            raise OutOfRangeError(f"Membrane: {what} is {value}; it must be zero or more.")
    if not 0.0 <= temperature_c <= 50.0:
        raise OutOfRangeError(f"Membrane: water at {temperature_c:g} °C; it must lie between 0 and 50 °C.")
    if not math.isfinite(day):
        raise OutOfRangeError(f"Membrane: day {day}; it must be a finite number.")
    passed_days = 0.0 if membrane.day is None else max(day - membrane.day, 0.0)
    membrane = replace(
        membrane,
        day=day if membrane.day is None else max(day, membrane.day),
        treated_l=membrane.treated_l + volume_l,
        age_days=membrane.age_days + passed_days,
        unused_l=membrane.unused_l + volume_l,
        unused_days=membrane.unused_days + passed_days,
    )
    is_first = membrane.samples == 0
    if since_start_l < STANDING_LITRES or feed_ppm == 0.0 or product_ppm == 0.0:
        return membrane
    if membrane.unused_days < _LEAST_GAP_DAYS and not is_first:
        return membrane
    worth = 1.0 if is_first else min(1.0, membrane.unused_days / _INDEPENDENT_DAYS)
    grown = _grown(membrane)
    return _weighed(grown, math.log(product_ppm / feed_ppm), temperature_c - REFERENCE_C, worth)


def _grown(membrane: Membrane) -> Membrane:
    """Return the estimate at the time of the next sample: rates wander and jump, and the passage grows."""
    weights: list[float] = []
    passages: list[float] = []
    warmths: list[float] = []
    variances: list[float] = []
    crosses: list[float] = []
    warmth_variances: list[float] = []
    days = membrane.unused_days
    wander = _WANDER_PER_DAY**2 * days
    jump = -math.expm1(-_JUMPS_PER_DAY * days)
    ages = (membrane.age_days, membrane.treated_l / 1000.0)
    for clock, gap in enumerate((days, membrane.unused_l / 1000.0)):
        part = slice(clock * NODES, (clock + 1) * NODES)
        old = list(
            zip(
                membrane.weights[part],
                membrane.passages[part],
                membrane.warmths[part],
                membrane.variances[part],
                membrane.crosses[part],
                membrane.warmth_variances[part],
                strict=True,
            )
        )
        total, *middle = _merged(old)
        middle[2] += _JUMP_SD**2
        ups, downs = _moves(_RATES[part], gap, ages[clock] + _FIRST_AGES[clock])
        for k, rate in enumerate(_RATES[part]):
            weight, *own = old[k]
            sources = [((1.0 - jump) * (1.0 - ups[k] - downs[k]) * weight, *own)]
            if k:
                below, *its = old[k - 1]
                sources.append(((1.0 - jump) * ups[k - 1] * below, *its))
            if k + 1 < NODES:
                above, *its = old[k + 1]
                sources.append(((1.0 - jump) * downs[k + 1] * above, *its))
            sources.append((jump * _JUMPS[clock][k] * total, *middle))
            weight, passage, warmth, variance, cross, warmth_variance = _merged(sources)
            weights.append(weight)
            passages.append(passage + rate * gap)
            warmths.append(warmth)
            variances.append(variance + wander)
            crosses.append(cross)
            warmth_variances.append(warmth_variance)
    return replace(
        membrane,
        weights=tuple(weights),
        passages=tuple(passages),
        warmths=tuple(warmths),
        variances=tuple(variances),
        crosses=tuple(crosses),
        warmth_variances=tuple(warmth_variances),
    )


def _aged(rate: float, age: float) -> float:
    """Return for how long a membrane of an age has aged at this rate: at most for one e-fold."""
    return min(age, 1.0 / rate)


def _moves(rates: Sequence[float], gap: float, age: float) -> tuple[list[float], list[float]]:
    """Return for each node the probability to move up and down while the age grows by ``gap``."""
    ups, downs = [], []
    for k, rate in enumerate(rates):
        older = gap / _aged(rate, age)
        spread = (_SPREAD_SD**2 * rate * gap + _QUICKENS_SD**2 * older) / _LN_STEP**2
        spread, drift = min(spread, _MOST_MOVED), min(_QUICKENS * older / _LN_STEP, _MOST_MOVED)
        drift = min(drift, spread)
        ups.append(0.5 * (spread + drift) if k + 1 < len(rates) else 0.0)
        downs.append(0.5 * max(spread - drift, 0.0) if k else 0.0)
    return ups, downs


_Part = tuple[float, float, float, float, float, float]
"""The weight of a node, the means of passage and warmth, and their variances with the covariance between."""


def _merged(parts: Sequence[_Part]) -> _Part:
    """Return one normal distribution with the moments of a mixture."""
    total = sum([part[0] for part in parts])
    if total <= 0.0:
        return 0.0, *parts[0][1:]
    passage = sum([part[0] * part[1] for part in parts]) / total
    warmth = sum([part[0] * part[2] for part in parts]) / total
    variance = cross = warmth_variance = 0.0
    for weight, x, w, xx, xw, ww in parts:
        off, warm_off = x - passage, w - warmth
        variance += weight * (xx + off * off)
        cross += weight * (xw + off * warm_off)
        warmth_variance += weight * (ww + warm_off * warm_off)
    return total, passage, warmth, variance / total, cross / total, warmth_variance / total


def _weighed(membrane: Membrane, seen: float, warm: float, worth: float) -> Membrane:
    """Return the estimate after a sample of ln(product / feed), ``warm`` kelvin above the reference."""
    noise = membrane.noise / worth
    found: list[_Part] = []
    of_noise = of_worth = 0.0
    for weight, x, w, xx, xw, ww in zip(
        membrane.weights,
        membrane.passages,
        membrane.warmths,
        membrane.variances,
        membrane.crosses,
        membrane.warmth_variances,
        strict=True,
    ):
        along, warm_along = xx + warm * xw, xw + warm * ww
        known = along + warm * warm_along
        total, wide = known + noise, known + noise + _OUTLIER_SD**2
        off = seen - x - warm * w
        usual = (1.0 - _OUTLIERS) * math.exp(-0.5 * off * off / total) / math.sqrt(total)
        outlying = _OUTLIERS * math.exp(-0.5 * off * off / wide) / math.sqrt(wide)
        likely = usual + outlying
        if weight * likely <= 0.0:
            found.append((0.0, x, w, xx, xw, ww))
            continue
        share = usual / likely
        gain = share / total + (1.0 - share) / wide
        # The two posteriors differ in their means: this difference is uncertainty, too.
        between = share * (1.0 - share) * (off * (1.0 / total - 1.0 / wide)) ** 2
        less = gain - between
        found.append(
            (
                weight * likely,
                x + along * gain * off,
                w + warm_along * gain * off,
                xx - along * along * less,
                xw - along * warm_along * less,
                ww - warm_along * warm_along * less,
            )
        )
        of_noise += weight * usual * off * off * noise / total * worth
        of_worth += weight * usual
    mass = sum([one[0] for one in found])
    if mass <= 0.0:
        # Beyond what a double can tell: the nodes keep their weights.
        found = [(weight, *one[1:]) for weight, one in zip(membrane.weights, found, strict=True)]
        mass = 1.0
    sure = worth * of_worth / mass
    kept = _NOISE_KEPT**worth * membrane.freedom
    noise = (kept * membrane.noise + sure * of_noise / max(of_worth, 1e-300)) / (kept + sure)
    columns = list(zip(*found, strict=True))
    return replace(
        membrane,
        weights=tuple([one / mass for one in columns[0]]),
        passages=tuple(columns[1]),
        warmths=tuple(columns[2]),
        variances=tuple(columns[3]),
        crosses=tuple(columns[4]),
        warmth_variances=tuple(columns[5]),
        noise=max(noise, _LEAST_NOISE_SD**2),
        freedom=kept + sure,
        unused_l=0.0,
        unused_days=0.0,
        samples=membrane.samples + 1,
    )


def rejection_percent(membrane: Membrane, temperature_c: float = REFERENCE_C) -> float:
    """Return the present rejection in per cent, normalised to a temperature."""
    return 100.0 * (1.0 - math.exp(membrane.passage + membrane.warmth * (temperature_c - REFERENCE_C)))


def forecast(
    membrane: Membrane,
    limit_ppm: float,
    feed: Expected | Sequence[Expected],
    warmest_c: float,
    use_l_per_day: Expected,
    lead_days: float,
) -> Forecast:
    """Forecast the litres and days until the product crosses the limit in the warmest expected water.

    The forecast is for the warmest water all year, so that it does not swing with the season.

    Args:
        membrane: the estimate.
        limit_ppm: the limit of the product.
        feed: the expected feed; or that of each month of 30 days from now on, the last one for all later
            months.
        warmest_c: the warmest expected water.
        use_l_per_day: the expected use.
        lead_days: the days from the order until the new membrane is fitted.

    Raises:
        InputError: If the limit is not above zero, or the lead time is negative.
    """
    if not (math.isfinite(limit_ppm) and limit_ppm > 0.0):
        raise InputError(f"Membrane: a limit of {limit_ppm:g} ppm; it must be above zero.")
    months = (feed,) if isinstance(feed, Expected) else tuple(feed)
    rests_on = (
        f"{membrane.samples} samples; rejection {rejection_percent(membrane):.1f} % at {REFERENCE_C:g} °C; "
        f"water up to {warmest_c:g} °C; feed {plain(months[0].mean)} ± {plain(months[0].sd, '.2g')} ppm"
    )
    warm = warmest_c - REFERENCE_C
    by_time = [(one, one, share) for one, share in _ends(membrane, 0, limit_ppm, months, warm, 1.0)]
    by_litres = [
        (1000.0 * one, 1000.0 * one, share)
        for one, share in _ends(membrane, 1, limit_ppm, months, warm, use_l_per_day.mean / 1000.0)
    ]
    return from_cells(by_litres, use_l_per_day, lead_days, rests_on, of_days=by_time)


def _ends(
    membrane: Membrane, clock: int, limit_ppm: float, months: Sequence[Expected], warm: float, a_day: float
) -> Iterator[tuple[float, float]]:
    """Iterate over values of the crossing on one clock, which gains ``a_day`` a day, with their weights."""
    # The room for the passage in each month, and how well the feed of the month is known.
    rooms = [(math.log(limit_ppm / feed.mean), (feed.sd / feed.mean) ** 2) for feed in months]
    a_month = 30.0 * a_day
    longest = _LONGEST_DAYS * a_day
    jumps = _JUMPS_PER_DAY / a_day
    age = (membrane.age_days, membrane.treated_l / 1000.0)[clock] + _FIRST_AGES[clock]
    for k in range(clock * NODES, (clock + 1) * NODES):
        likely = membrane.weights[k]
        if likely < _UNLIKELY:
            continue
        rate = _RATES[k]
        now = membrane.passages[k] + warm * membrane.warmths[k]
        variance = max(
            membrane.variances[k] + 2.0 * warm * membrane.crosses[k] + warm**2 * membrane.warmth_variances[k],
            0.0,
        )
        share = likely / len(_FEW) ** 2
        jumped = middle = 0.0
        for z in _FEW:
            gaps = [room - now + z * math.sqrt(variance + unsure) for room, unsure in rooms]
            for pace in _FEW:
                steady = min(_first(gaps, rate, pace, a_month, _aged(rate, age)), longest)
                lasts = math.exp(-jumps * steady)
                jumped += (1.0 - lasts) * share
                yield steady, share * lasts
                if z == pace == 0.0:
                    middle = steady
        for after, part in _AFTER_JUMP[clock]:
            for begun, chance in _JUMP_TIMES:
                rest = max(rooms[0][0] - now, 0.0) * (1.0 - begun) / after
                yield min(begun * middle + rest, longest), chance * part * jumped


def _first(gaps: Sequence[float], rate: float, pace: float, a_month: float, age: float) -> float:
    """Return where a passage first reaches its room, which differs from month to month.

    Args:
        gaps: what the passage has to grow by, in each month.
        rate: its present rate.
        pace: by how many standard deviations it quickens more than expected.
        a_month: the length of a month on the clock.
        age: the present age on the clock.
    """
    power = 1.0 + max(_QUICKENS + pace * _QUICKENS_SD, _LEAST_QUICKENS)
    end = 0.0
    for number, gap in enumerate(gaps):
        if gap <= 0.0:
            return number * a_month
        # The integral of rate x (age / present age)^(power - 1) reaches the gap here.
        end = age * math.expm1(math.log1p(power * gap / (rate * age)) / power)
        end *= math.exp(-pace * math.sqrt(_SPREAD_SD**2 * gap / 3.0 + _LN_STEP**2 / 12.0))
        if end < (number + 1) * a_month:
            return max(end, number * a_month)
    return end
