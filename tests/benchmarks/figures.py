"""What is measured, as values: samples, ratios, and whether they keep the target."""

import statistics
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field


def percentile(samples: Sequence[float], share: float) -> float:
    """The smallest sample that at least this share of them does not exceed (nearest rank)."""
    ordered = sorted(samples)
    return ordered[max(0, -(-round(share * 1e6) * len(ordered) // 1_000_000) - 1)]


@dataclass(slots=True)
class Result:
    """One line of the table.

    ``spread`` is the smallest and the largest of the repeats that ``value`` is the median of.
    """

    case: str
    what: str
    value: float | None
    unit: str
    target: str = ""
    met: bool | None = None
    spread: tuple[float, float] | None = None
    samples: int = 1
    note: str = ""
    parts: dict[str, float | list[float]] = field(default_factory=dict)
    """The figures behind it."""


def repeated(
    case: str, what: str, values: Sequence[float], unit: str, *, most: float | None = None, target: str = "",
    least: float | None = None, note: str = "", parts: Mapping[str, float | list[float]] | None = None,
) -> Result:  # fmt: skip
    """A line from repeats: their median and spread, held against ``most`` or ``least``."""
    middle = statistics.median(values)
    met = None
    if most is not None:
        target, met = target or f"at most {most:g}", middle <= most
    elif least is not None:
        target, met = target or f"at least {least:g}", middle >= least
    spread = (min(values), max(values)) if len(values) > 1 else None
    return Result(case, what, middle, unit, target, met, spread, len(values), note, dict(parts or {}))


def left_out(case: str, what: str, why: str) -> Result:
    """A line that was not measured, and why."""
    return Result(case, what, None, "", note=f"not run: {why}")
