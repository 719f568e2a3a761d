"""Results as values: samples, ratios, and their comparison with the target."""

import statistics
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field


def percentile(samples: Sequence[float], share: float) -> float:
    """Returns the smallest sample that at least this share of the samples does not exceed (nearest rank)."""
    ordered = sorted(samples)
    return ordered[max(0, -(-round(share * 1e6) * len(ordered) // 1_000_000) - 1)]


@dataclass(slots=True)
class Result:
    """One line of the table.

    ``value`` is the median of the repeats, and ``spread`` is their minimum and maximum.
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
    """Returns a line from repeats: their median and spread, compared with ``most`` or ``least``."""
    middle = statistics.median(values)
    met = None
    if most is not None:
        target, met = target or f"at most {most:g}", middle <= most
    elif least is not None:
        target, met = target or f"at least {least:g}", middle >= least
    spread = (min(values), max(values)) if len(values) > 1 else None
    return Result(case, what, middle, unit, target, met, spread, len(values), note, dict(parts or {}))


def left_out(case: str, what: str, why: str) -> Result:
    """Returns a line for a case that was not measured, with the reason."""
    return Result(case, what, None, "", note=f"not run: {why}")
