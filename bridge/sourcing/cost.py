"""Numbers that carry their spread and their assumptions, and the arithmetic that keeps both. Core."""

import math
from dataclasses import dataclass

from bridge.errors import InputError
from bridge.purifier.forecast import Interval

STATED = "stated by you"


@dataclass(frozen=True, slots=True)
class Assumption:
    """One thing that a figure assumes: words alone, or words with a value."""

    what: str
    key: str | None = None
    """The table and key of the needs and prices that change it, such as ``cartridge.price``."""
    value: float | None = None
    unit: str = ""
    sd_share: float = 0.0
    source: str = ""

    def text(self, unit: str, source: str) -> str:
        """Put it into words with the unit and the source as they are to be shown."""
        if self.value is None:
            return self.what
        spread = f" ± {100 * self.sd_share:.2g} %" if self.sd_share else ""
        return f"{self.what} {self.value:.4g} {unit}{spread} ({source})"

    def __str__(self) -> str:
        """Put it into words as it was given."""
        return self.text(self.unit, self.source)


@dataclass(frozen=True, slots=True)
class Figure:
    """A quantity with one standard deviation, its unit, and the assumptions that it rests on."""

    value: float
    sd: float
    unit: str
    assumed: tuple[Assumption, ...] = ()

    def __post_init__(self) -> None:
        if math.isnan(self.value) or not (math.isfinite(self.sd) and self.sd >= 0.0):
            raise InputError(
                f"Figure: {self.value:g} ± {self.sd:g} {self.unit}; the deviation must not be negative."
            )

    @property
    def low(self) -> float:
        """The lower end of the 95 % interval, not below 0: no quantity here can be negative."""
        return max(0.0, self.value - 1.96 * self.sd)

    @property
    def high(self) -> float:
        """The upper end of the 95 % interval."""
        return self.value + 1.96 * self.sd


def given(
    value: float, sd_share: float, unit: str, what: str, source: str = STATED, *, key: str | None = None
) -> Figure:
    """Make a figure from a value that comes from outside.

    Args:
        value: The value.
        sd_share: Its relative standard deviation.
        unit: Its unit.
        what: The value's name in words.
        source: Where it comes from.
        key: The table and key of the needs and prices that change it.

    Raises:
        InputError: The value or the deviation is negative or not finite.
    """
    if not (math.isfinite(value) and value >= 0.0):
        raise InputError(f"{what}: {value:g} {unit}; it must be zero or more.")
    if not (math.isfinite(sd_share) and sd_share >= 0.0):
        raise InputError(f"{what}: a relative deviation of {sd_share:g}; it must be zero or more.")
    return Figure(value, value * sd_share, unit, (Assumption(what, key, value, unit, sd_share, source),))


def plus(unit: str, *terms: Figure) -> Figure:
    """Add independent figures."""
    return Figure(
        sum(term.value for term in terms),
        math.sqrt(sum(term.sd**2 for term in terms)),
        unit,
        _together(*terms),
    )


def times(unit: str, *factors: Figure) -> Figure:
    """Multiply independent figures; their relative deviations add in squares (first order)."""
    value = math.prod(factor.value for factor in factors)
    return Figure(
        value, abs(value) * math.sqrt(sum(_relative(x) ** 2 for x in factors)), unit, _together(*factors)
    )


def over(unit: str, top: Figure, bottom: Figure) -> Figure:
    """Divide independent figures.

    Raises:
        InputError: The divisor is zero.
    """
    if bottom.value == 0.0:
        raise InputError(
            f"{bottom.unit or 'Figure'}: zero here; {', '.join(map(str, bottom.assumed))} must be above zero."
        )
    value = top.value / bottom.value
    sd = abs(value) * math.hypot(_relative(top), _relative(bottom))
    return Figure(value, sd, unit, _together(top, bottom))


def per_litre(price: float, treated_l: float, left: Interval, other_per_l: float = 0.0) -> Interval:
    """Compute the cost of a litre over the whole life of a cartridge, with the intervals of the litres left.

    Args:
        price: The price of the cartridge.
        treated_l: The litres that it has made.
        left: The litres that it will still make.
        other_per_l: The cost of a litre beside the cartridge.

    Raises:
        InputError: The price is negative or not finite, or there is no litre at all.
    """
    if not (math.isfinite(price) and price >= 0.0):
        raise InputError(f"Cost: a price of {price:g}; it must be zero or more.")
    if not treated_l + left.median > 0.0:
        raise InputError(f"Cost: {treated_l:g} litres made and none left; one of them must be above zero.")

    def at(left_l: float) -> float:
        litres = treated_l + left_l
        return other_per_l + (price / litres if litres > 0.0 else math.inf)

    return Interval(at(left.median), at(left.high80), at(left.low80), at(left.high95), at(left.low95))


def scaled(figure: Figure, factor: float, unit: str) -> Figure:
    """Convert a figure to another unit by an exact factor."""
    return Figure(figure.value * factor, figure.sd * abs(factor), unit, figure.assumed)


def overtakes_at(fixed_a: Figure, per_l_a: Figure, fixed_b: Figure, per_l_b: Figure) -> Figure | None:
    """Find the litres a day from which B, dearer to own and cheaper a litre, costs less than A.

    Args:
        fixed_a: The fixed cost of A in money a year.
        per_l_a: The cost of A in money a litre.
        fixed_b: The fixed cost of B in money a year.
        per_l_b: The cost of B in money a litre.

    Returns:
        The litres a day; 0 if B costs less at any size, None if it never does.
    """
    saved = per_l_a.value - per_l_b.value
    extra = fixed_b.value - fixed_a.value
    if saved <= 0.0:
        return None
    assumed = _together(fixed_a, per_l_a, fixed_b, per_l_b)
    if extra <= 0.0:
        return Figure(0.0, 0.0, "L/day", assumed)
    value = extra / saved / 365.25
    relative = math.hypot(
        math.hypot(fixed_a.sd, fixed_b.sd) / extra, math.hypot(per_l_a.sd, per_l_b.sd) / saved
    )
    return Figure(value, value * relative, "L/day", assumed)


def _relative(figure: Figure) -> float:
    return figure.sd / abs(figure.value) if figure.value else 0.0


def _together(*figures: Figure) -> tuple[Assumption, ...]:
    # A dict keeps the order in which the assumptions came.
    return tuple(dict.fromkeys(one for figure in figures for one in figure.assumed))
