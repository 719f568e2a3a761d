"""A number that carries its spread and what it assumed, and the arithmetic that keeps both."""

import math
from dataclasses import dataclass

from bridge.errors import InputError
from bridge.purifier.forecast import Interval


@dataclass(frozen=True, slots=True)
class Figure:
    """A quantity with one standard deviation, its unit, and the assumptions it rests on, in plain words."""

    value: float
    sd: float
    unit: str
    assumed: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        if math.isnan(self.value) or not (math.isfinite(self.sd) and self.sd >= 0.0):
            raise InputError(
                f"Figure: {self.value:g} ± {self.sd:g} {self.unit}; the deviation must not be negative."
            )

    @property
    def low(self) -> float:
        """The lower end of the 95 % interval, not below zero: every quantity here is positive by nature."""
        return max(0.0, self.value - 1.96 * self.sd)

    @property
    def high(self) -> float:
        """The upper end of the 95 % interval."""
        return self.value + 1.96 * self.sd


def given(value: float, sd_share: float, unit: str, what: str, source: str = "stated by you") -> Figure:
    """A figure that comes from outside, with its relative deviation; ``source`` says where from.

    Raises:
        InputError: a negative or non-finite value (a negative price, say) or deviation.
    """
    if not (math.isfinite(value) and value >= 0.0):
        raise InputError(f"{what}: {value:g} {unit}; it must be zero or more.")
    if not (math.isfinite(sd_share) and sd_share >= 0.0):
        raise InputError(f"{what}: a relative deviation of {sd_share:g}; it must be zero or more.")
    spread = f" ± {100 * sd_share:.2g} %" if sd_share else ""
    return Figure(value, value * sd_share, unit, (f"{what} {value:.4g} {unit}{spread} ({source})",))


def plus(unit: str, *terms: Figure) -> Figure:
    """The sum of independent figures."""
    return Figure(
        sum(term.value for term in terms),
        math.sqrt(sum(term.sd**2 for term in terms)),
        unit,
        _together(*terms),
    )


def times(unit: str, *factors: Figure) -> Figure:
    """The product of independent figures; relative deviations add in squares (first order)."""
    value = math.prod(factor.value for factor in factors)
    return Figure(
        value, abs(value) * math.sqrt(sum(_relative(x) ** 2 for x in factors)), unit, _together(*factors)
    )


def over(unit: str, top: Figure, bottom: Figure) -> Figure:
    """The quotient of independent figures.

    Raises:
        InputError: division by a figure of zero.
    """
    if bottom.value == 0.0:
        raise InputError(
            f"{bottom.unit or 'Figure'}: zero here; {', '.join(bottom.assumed)} must be above zero."
        )
    value = top.value / bottom.value
    sd = abs(value) * math.hypot(_relative(top), _relative(bottom))
    return Figure(value, sd, unit, _together(top, bottom))


def per_litre(price: float, treated_l: float, left: Interval, other_per_l: float = 0.0) -> Interval:
    """Money for a litre of a cartridge over its whole life, with the intervals of the litres that are left.

    Args:
        price: of the cartridge.
        treated_l: litres it has made; with what is left more than zero.
        left: litres left.
        other_per_l: money for a litre beside the cartridge.

    Raises:
        InputError: a price that is negative or not finite, or no litre at all.
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
    """The figure in another unit, by an exact factor."""
    return Figure(figure.value * factor, figure.sd * abs(factor), unit, figure.assumed)


def overtakes_at(fixed_a: Figure, per_l_a: Figure, fixed_b: Figure, per_l_b: Figure) -> Figure | None:
    """Litres a day at which B, dearer to own and cheaper a litre, overtakes A; None where it never does.

    ``fixed`` is in money a year, ``per_l`` in money a litre. At 0 B is cheaper at any size.
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


def _together(*figures: Figure) -> tuple[str, ...]:
    """All assumptions once each, in the order in which they came."""
    return tuple(dict.fromkeys(text for figure in figures for text in figure.assumed))
