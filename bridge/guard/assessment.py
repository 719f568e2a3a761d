"""What is known of a reservoir and its purifier at one moment: the guard's only view of the world."""

from dataclasses import dataclass

from bridge.guard.words import Advisory, Flow
from bridge.tank.level import Zone
from bridge.water.health import Health


@dataclass(frozen=True, slots=True)
class Assessment:
    """One moment's knowledge. None means not known, and not knowing is a reason to close.

    All ppm are on the scale that the limits are on; times are seconds of the same monotonic clock that
    :func:`bridge.guard.step.step` is given.
    """

    frame_at: float | None = None
    """When the newest good reading arrived."""
    product_ppm: float | None = None
    guard_band_ppm: float = 0.0
    """The expanded uncertainty of ``product_ppm``, added to it before it is compared."""
    probe: Health = Health.FAILURE
    temperature_c: float | None = None
    zone: Zone | None = None
    volume_l: float | None = None
    """The measured volume; None where only switches are fitted."""
    volume_at_least_l: float = 0.0
    """What the reservoir certainly holds, for the mixing budget."""
    overflow: bool | None = None
    """True while the overflow float is up."""
    reservoir_ppm: float | None = None
    """Dissolved solids of the reservoir by the mixing balance."""
    throughput_l: float | None = None
    """What has flowed in altogether, from flow pulses; never falls."""
    seen: Flow | None = None
    """What the controller says about its valves."""
    controller_fault: bool = False
    """The controller reports a fault of its own that forbids a fill."""
    advisories: frozenset[Advisory] = frozenset()
    """Conditions worth an alarm that do not concern the valve."""


def amended(seen: Assessment, found: frozenset[Advisory], controller_fault: bool) -> Assessment:
    """The assessment with more advisories, and with a fault of the controller if there is one."""
    # Written out, in the order of the fields, as in the guard's state.
    return Assessment(
        seen.frame_at, seen.product_ppm, seen.guard_band_ppm, seen.probe, seen.temperature_c,
        seen.zone, seen.volume_l, seen.volume_at_least_l, seen.overflow, seen.reservoir_ppm,
        seen.throughput_l, seen.seen, seen.controller_fault or controller_fault, seen.advisories | found,
    )  # fmt: skip
