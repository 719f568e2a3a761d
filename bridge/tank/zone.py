"""Where the level stands against the two marks that a fill is steered by."""

from enum import Enum


class Zone(Enum):
    """The level against the refill mark and the fill mark."""

    LOW = "low"
    """At or below the refill mark: a fill may start."""
    MIDDLE = "middle"
    """Between the marks: a fill that runs goes on, none starts."""
    FULL = "full"
    """At or above the fill mark: a fill ends."""
