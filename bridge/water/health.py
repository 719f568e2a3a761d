"""Sensor health in the four classes of NAMUR NE 107, with "good" before them."""

from enum import IntEnum


class Health(IntEnum):
    """How far a measuring point can be trusted; a larger number is worse.

    The order is the one in which the classes are shown when several apply: a failure hides
    everything else. Source of the classes: NAMUR NE 107, Self-monitoring and diagnosis of field devices.
    """

    GOOD = 0
    MAINTENANCE_REQUIRED = 1
    OUT_OF_SPECIFICATION = 2
    FUNCTION_CHECK = 3
    FAILURE = 4

    @property
    def word(self) -> str:
        """The class as a lower-case word with hyphens, fit for a topic or a column."""
        return self.name.lower().replace("_", "-")
