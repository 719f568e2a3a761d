"""The watch over the product cell: a cell that reads low is not noticed from its readings alone.

Each test compares the cell with something that does not depend on its constant (analytical redundancy).

**Rinse.** When a fill begins, the water that stood in the purifier reaches the cell first. It has taken up
ions from resin or membrane, and reads higher than the product that follows. ln(first 15 s / settled) does not
depend on the cell constant. A stuck cell, or one in a dead leg that the product does not flush, shows no
transient. Suspicious: under a tenth of its usual median, three fills running. Only a fill after hours of
standing water counts, and only if the usual transient is clear.

**Night.** Standing water cools overnight and warms in the morning, and its conductance follows by 1.4 to
3 %/K. The slope d ln G / dT does not depend on the cell constant. A salt bridge across the electrodes carries
a current that does not follow the water, an electrode in air or a thermometer that does not touch the water
has another slope, too: if the water carries the share w of the current, the slope is w times that of the
water. The test takes the conductivity that is converted to 25 °C, without that of pure water, so that a
sound cell has a slope near 0 at every temperature: salts, acids and alkali differ from the curve by less
than :data:`SLOPE_LOW` and :data:`SLOPE_HIGH`. A bridge with half of the current takes away 1.1 %/K.
Standing water also takes up ions from the resin, first fast and then slower, which has nothing to do with its
temperature. So the slope is that of a regression on temperature and a saturation 1 - exp(-t/τ) together, with
the τ of :data:`SATURATION_HOURS` that fits best. One night shows little: the slopes of the last
:data:`NIGHTS` nights are weighted by their errors. Suspicious: their mean is outside the bound by more than
twice its own standard error, and so is most of the single nights without it. Water with less than
:data:`SMALLEST_NIGHT_US_CM` of salt does not count.

**Thermometers.** After minutes of flow, product and feed have the same temperature. A product thermometer in
air, or one that has drifted, has not, and 1 K is 2 % of the reading. Suspicious: a difference from its usual
value by more than :data:`LARGEST_DIFFERENCE_K`, three fills running.

**Gain.** A hand sample of the reservoir shows the product of the last weeks by other means. The balance says
what the sample should be, with its standard deviation. z = (sample - balance) / sd is standard normal while
the cell is sound. If the cell reads low, every sample is above the balance. Two cumulative sums (E. S. Page,
Biometrika 41 (1954) 100) add up z - 0.75 for both signs. Suspicious: a sum above 3.25. z is limited to 3,
so that one wrong sample is no evidence enough. A sample that shows little of the product has a z near 0.

A doubt is kept until the cell is calibrated or the test finds a sound cell again. It raises an advisory and
widens the uncertainty, so that the valve shuts earlier. It never opens a valve.
"""

import math
import statistics
from collections.abc import Mapping
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Any

from bridge.errors import InputError
from bridge.estimate.reservoir import Contradiction

FIRST_S = 15.0
"""The time from the start of the flow in which the transient is measured."""
LEAST_STANDING_S = 4.0 * 3600.0
USUAL_FILLS = 15
LEAST_USUAL_FILLS = 4
LEAST_TRANSIENT = 0.1
"""A usual median below this is too small to miss."""
MISSING_SHARE = 0.1
FILLS_RUNNING = 3

SLOPE_LOW, SLOPE_HIGH = -0.008, 0.012
"""How far the slope of sound water may be from the curve of the compensation, for each kelvin. Acids have
-0.0065 (McCleskey et al., 2012), hydrogencarbonates 0.002; cold water with a coefficient that is stated at 25
°C has up to 0.009."""
NIGHTS = 5
NIGHTS_OUTSIDE = 3
SATURATION_HOURS = (1.5, 3.0, 6.0, 24.0)
"""Time constants of the ions that standing water takes up; the longest is nearly a straight line."""
SMALLEST_SLOPE_ERROR = 5e-4
LEAST_NIGHT_READINGS = 30
LEAST_NIGHT_K = 0.6
"""The least standard deviation of the temperature in one night, apart from a straight line in time."""
SMALLEST_NIGHT_US_CM = 1.0

LEAST_FLOW_S = 180.0
LARGEST_DIFFERENCE_K = 2.0

SUM_ALLOWANCE = 0.75
SUM_THRESHOLD = 3.25
LARGEST_Z = 3.0

DOUBTFUL_PERCENT = 15.0
"""Standard uncertainty of a doubtful cell (common practice, no source)."""


class Check(StrEnum):
    """The tests of the watch."""

    RINSE = "rinse"
    NIGHT = "night"
    THERMOMETERS = "thermometers"
    GAIN = "gain"


@dataclass(frozen=True, slots=True)
class Doubt:
    """One test that has found the cell doubtful."""

    check: Check
    seen: str
    """What was seen, as a sentence without a period."""
    to_do: str
    """What to do, as a sentence without a period."""


@dataclass(frozen=True, slots=True)
class Uptake:
    """The sums over one night of a saturation y = 1 - exp(-t/τ), and of its products."""

    y: float = 0.0
    yy: float = 0.0
    xy: float = 0.0
    yz: float = 0.0


@dataclass(frozen=True, slots=True)
class Night:
    """The sums over one night of standing water: of 1, x, z and their products.

    x is the temperature from 15 °C, and z the logarithm of the conductivity at 25 °C.
    """

    n: int = 0
    x: float = 0.0
    z: float = 0.0
    xx: float = 0.0
    xz: float = 0.0
    zz: float = 0.0
    uptakes: tuple[Uptake, ...] = (Uptake(),) * len(SATURATION_HOURS)


@dataclass(frozen=True, slots=True)
class CellWatch:
    """What the watch remembers. Its size is bounded."""

    transients: tuple[float, ...] = ()
    """ln(first / settled) of the last fills that counted as usual, oldest first."""
    flat_fills: int = 0
    """Fills running without their usual transient."""
    night: Night = Night()
    nights: tuple[tuple[float, float], ...] = ()
    """The slopes of the last nights and their standard errors, for each kelvin, oldest first."""
    differences_k: tuple[float, ...] = ()
    """Product less feed thermometer of the last fills that counted as usual."""
    apart_fills: int = 0
    last_difference_k: float = 0.0
    sum_high: float = 0.0
    sum_low: float = 0.0
    last_z: float = 0.0


def doubts(watch: CellWatch) -> tuple[Doubt, ...]:
    """Return what the watch has found: nothing for a sound cell."""
    found = []
    if watch.flat_fills >= FILLS_RUNNING:
        usual = math.exp(statistics.median(watch.transients))
        found.append(
            Doubt(
                Check.RINSE,
                f"in {watch.flat_fills} fills running the product cell did not show the standing water, "
                f"which usually reads {usual:.1f} times the product",
                "check that the cell sits in the flow and not in a dead leg, shake out bubbles, and test it "
                "in a standard solution",
            )
        )
    off = slope_off(watch)
    if off is not None:
        found.append(
            Doubt(
                Check.NIGHT,
                f"in the last {NIGHTS} nights the conductance did not follow the temperature as water does: "
                f"it was off by {100.0 * off:+.1f} %/K, and waters differ from {100.0 * SLOPE_LOW:+.1f} to "
                f"{100.0 * SLOPE_HIGH:+.1f} %/K",
                "clean the electrodes and the plug of salt, check that cell and thermometer are in the same "
                "water, and test the cell in a standard solution",
            )
        )
    if watch.apart_fills >= FILLS_RUNNING:
        found.append(
            Doubt(
                Check.THERMOMETERS,
                f"in {watch.apart_fills} fills running the product thermometer was "
                f"{watch.last_difference_k:+.1f} K from the feed thermometer after minutes of flow",
                "check that both thermometers are in the water, and compare them in one glass",
            )
        )
    if max(watch.sum_high, watch.sum_low) > SUM_THRESHOLD:
        side = "more" if watch.sum_high >= watch.sum_low else "less"
        found.append(
            Doubt(
                Check.GAIN,
                f"hand samples of the reservoir have {side} dissolved solids than the product cell accounts "
                "for, again and again",
                "test the cell in a standard solution, and the hand meter too",
            )
        )
    return tuple(found)


def constant_percent(watch: CellWatch, percent: float) -> float:
    """Return the standard uncertainty of the cell constant, widened while the cell is doubtful."""
    return max(percent, DOUBTFUL_PERCENT) if doubts(watch) else percent


def fill_seen(watch: CellWatch, first_us: float, settled_us: float, stood_s: float) -> CellWatch:
    """Return the watch after a fill.

    Args:
        watch: the watch.
        first_us: the mean conductance (at 25 °C) of the first :data:`FIRST_S` seconds of flow.
        settled_us: the mean of the settled product, at the end of the fill.
        stood_s: how long the water had stood before.
    """
    if stood_s < LEAST_STANDING_S or first_us <= 0.0 or settled_us <= 0.0:
        return watch
    transient = math.log(first_us / settled_us)
    usual = statistics.median(watch.transients) if len(watch.transients) >= LEAST_USUAL_FILLS else None
    if usual is not None and usual >= LEAST_TRANSIENT and transient < MISSING_SHARE * usual:
        return replace(watch, flat_fills=watch.flat_fills + 1)
    return replace(watch, transients=(*watch.transients, transient)[-USUAL_FILLS:], flat_fills=0)


def night_reading(watch: CellWatch, salt_25_us_cm: float, temperature_c: float, hours: float) -> CellWatch:
    """Return the watch after one reading of standing water, such as one each minute.

    Args:
        watch: the watch.
        salt_25_us_cm: the conductivity converted to 25 °C, without that of pure water.
        temperature_c: the temperature of the water.
        hours: the time since the water stopped.
    """
    if salt_25_us_cm < SMALLEST_NIGHT_US_CM:
        return watch
    x, z, old = temperature_c - 15.0, math.log(salt_25_us_cm), watch.night
    uptakes = []
    for hours_of, sums in zip(SATURATION_HOURS, old.uptakes, strict=True):
        y = -math.expm1(-hours / hours_of)
        uptakes.append(Uptake(sums.y + y, sums.yy + y * y, sums.xy + x * y, sums.yz + y * z))
    night = Night(
        n=old.n + 1,
        x=old.x + x,
        z=old.z + z,
        xx=old.xx + x * x,
        xz=old.xz + x * z,
        zz=old.zz + z * z,
        uptakes=tuple(uptakes),
    )
    return replace(watch, night=night)


def night_ended(watch: CellWatch) -> CellWatch:
    """Return the watch after a night, or after water flowed in it. A night with little change is no test."""
    night, watch = watch.night, replace(watch, night=Night())
    if night.n < LEAST_NIGHT_READINGS:
        return watch
    fits = [fit for sums in night.uptakes if (fit := _fit(night, sums)) is not None]
    if not fits:
        return watch
    residual, slope, left_xx = min(fits)
    if left_xx < LEAST_NIGHT_K**2:
        return watch
    # Readings of one night are not independent: about ten of them are.
    error = max(math.sqrt(residual / left_xx / min(night.n, 10)), SMALLEST_SLOPE_ERROR)
    return replace(watch, nights=(*watch.nights, (slope, error))[-NIGHTS:])


def _fit(night: Night, sums: Uptake) -> tuple[float, float, float] | None:
    """Return the residual variance, the slope, and the variance of the temperature left by the uptake."""
    n = night.n
    xx, xz, zz = (
        s / n - one * other / (n * n)
        for s, one, other in (
            (night.xx, night.x, night.x),
            (night.xz, night.x, night.z),
            (night.zz, night.z, night.z),
        )
    )
    yy, xy, yz = (
        s / n - sums.y * other / (n * n)
        for s, other in ((sums.yy, sums.y), (sums.xy, night.x), (sums.yz, night.z))
    )
    if yy <= 1e-9:
        return None
    left_xx, left_xz, left_zz = xx - xy * xy / yy, xz - xy * yz / yy, zz - yz * yz / yy
    if left_xx <= 1e-9:
        return None
    slope = left_xz / left_xx
    return max(left_zz - slope * left_xz, 0.0), slope, left_xx


def slope_off(watch: CellWatch) -> float | None:
    """Return the mean slope of the last nights if it is suspicious, for each kelvin; else None."""
    if len(watch.nights) < NIGHTS:
        return None
    weights = [1.0 / (error * error) for _, error in watch.nights]
    whole = math.fsum(weights)
    mean = math.fsum(weight * slope for weight, (slope, _) in zip(weights, watch.nights, strict=True)) / whole
    side, bound = (-1.0, SLOPE_LOW) if mean < 0.0 else (1.0, SLOPE_HIGH)
    outside = sum(side * (slope - bound) > 0.0 for slope, _ in watch.nights)
    surely = side * (mean - bound) > 2.0 / math.sqrt(whole)
    return mean if surely and outside >= NIGHTS_OUTSIDE else None


def temperatures_seen(watch: CellWatch, product_c: float, feed_c: float, flowed_s: float) -> CellWatch:
    """Return the watch after a fill, with the temperatures at its end."""
    if flowed_s < LEAST_FLOW_S:
        return watch
    difference_k = product_c - feed_c
    usual_k = statistics.median(watch.differences_k) if len(watch.differences_k) >= LEAST_USUAL_FILLS else 0.0
    if abs(difference_k - usual_k) > LARGEST_DIFFERENCE_K:
        return replace(watch, apart_fills=watch.apart_fills + 1, last_difference_k=difference_k)
    return replace(
        watch,
        differences_k=(*watch.differences_k, difference_k)[-USUAL_FILLS:],
        apart_fills=0,
        last_difference_k=difference_k,
    )


def sample_seen(watch: CellWatch, found: Contradiction) -> CellWatch:
    """Return the watch after a hand sample of the reservoir, with how far it was from the balance."""
    z = max(-LARGEST_Z, min(found.z, LARGEST_Z))
    return replace(
        watch,
        sum_high=max(watch.sum_high + z - SUM_ALLOWANCE, 0.0),
        sum_low=max(watch.sum_low - z - SUM_ALLOWANCE, 0.0),
        last_z=found.z,
    )


def calibrated(watch: CellWatch) -> CellWatch:
    """Return the watch after the cell was calibrated or changed. What is usual for the purifier stays."""
    return CellWatch(transients=watch.transients, differences_k=watch.differences_k)


def to_json(watch: CellWatch) -> dict[str, Any]:
    """Return the watch as values for JSON. The unfinished night is left out."""
    return {
        "transients": list(watch.transients),
        "flat_fills": watch.flat_fills,
        "nights": [list(night) for night in watch.nights],
        "differences_k": list(watch.differences_k),
        "apart_fills": watch.apart_fills,
        "last_difference_k": watch.last_difference_k,
        "sum_high": watch.sum_high,
        "sum_low": watch.sum_low,
        "last_z": watch.last_z,
    }


def from_json(values: Mapping[str, Any]) -> CellWatch:
    """Return the watch of :func:`to_json`.

    Raises:
        InputError: If the values are not those of a watch.
    """
    try:
        return CellWatch(
            transients=tuple(float(value) for value in values["transients"])[-USUAL_FILLS:],
            flat_fills=int(values["flat_fills"]),
            # An earlier version did not keep the single nights.
            nights=tuple((float(slope), float(error)) for slope, error in values.get("nights", ()))[-NIGHTS:],
            differences_k=tuple(float(value) for value in values["differences_k"])[-USUAL_FILLS:],
            apart_fills=int(values["apart_fills"]),
            last_difference_k=float(values["last_difference_k"]),
            sum_high=float(values["sum_high"]),
            sum_low=float(values["sum_low"]),
            last_z=float(values["last_z"]),
        )
    except (KeyError, TypeError, ValueError) as error:
        raise InputError(f"the saved watch over the cell is damaged ({error}); delete it") from error
