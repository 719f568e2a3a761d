"""The accounts of the water: by the readings as they were sent, and by the rig's true volumes.

The judge's own records keep each reading before the line can change it. Each bound in the ledger is a bound
of the plan plus a margin, because the bridge smooths the level and the ledger does not. A value over a bound
plus its margin is therefore certainly over the bound.

By the true volumes, the litres over the rim and the litres over the limit are measured.

**The bound.** With the product flow ``f``, one *opening* (from valve open to valve shut) may let in at most

    with a drain valve        f · (T + D)
    without one               f · (R + T + D)

litres over the limit. ``T`` is the longest time between two scans: one step of the guard plus one period of
the readings. ``R`` is the longest rinse (``rinse_max_s``). ``D`` is the delay of a disturbed line: the
greatest age of a frame (``stale_after_s``), one lease, and the lag in both directions. ``D`` is 0 on a sound
line, and one lease if the bridge dies in the opening.

The reason for the bound: in a fill, the first reading over the limit shuts the valve in the same scan. The
persistence filter only delays the trip and does not keep the valve open. Water over the limit therefore
enters only between two scans. A rinse into the reservoir ends after ``R``. In addition, the mixing budget
keeps the whole reservoir in specification.

The bound applies to a sound probe. A probe that reads low (drifting, stuck at a good value, noisy downwards,
swapped with the feed cell, half in air, scaled, a label outside its tolerance) cannot be detected from its
own readings. Litres that enter past such a probe are counted separately, by the fault that hid them.
"""

from dataclasses import dataclass, field

from bridge.guard.model import Flow, Trip
from bridge.protocol.messages import Feature, LocalFault, Reading
from bridge.rig.controller import Controller
from bridge.rig.faults import FaultName
from bridge.rig.sensors import Inputs
from bridge.rig.world import World
from bridge.simulate.gardens import Garden
from bridge.simulate.instruments import cell_ratio

_KEPT = 512


@dataclass(frozen=True, slots=True)
class Sent:
    """One reading as it left the controller."""

    at_s: float
    """Line seconds."""
    sequence: int
    path: Flow
    faults: LocalFault
    inputs: Inputs


class Witness(Controller):
    """A controller that keeps its newest readings by their sequence numbers."""

    def __init__(self, features: Feature) -> None:
        """Switch the controller on at its time 0."""
        super().__init__(features)
        self.last: Sent | None = None
        self._kept: dict[int, Sent] = {}
        self._replaced: dict[int, Sent] = {}
        """Readings from before a restart, by numbers that came again: a late one may still be on the line."""

    def report(self, now_s: float, inputs: Inputs) -> None:
        """Send one reading, and keep its inputs."""
        super().report(now_s, inputs)
        sequence = (self._sequence - 1) & 0xFFFF
        kept = self._kept
        # The old entry is removed first, so that the oldest entry stays first when the numbers wrap.
        replaced = kept.pop(sequence, None)
        if replaced is not None:
            self._replaced[sequence] = replaced
            if len(self._replaced) > _KEPT:
                del self._replaced[next(iter(self._replaced))]
        self.last = kept[sequence] = Sent(
            now_s,
            sequence,
            self._reported_path,
            # Testing first saves 0.6 µs a reading: Python 3.11 combines flags in Python code.
            self.faults | inputs.faults if inputs.faults else self.faults,
            inputs,
        )
        if len(kept) > _KEPT:
            del kept[next(iter(kept))]

    def sent_as(self, reading: Reading) -> Sent | None:
        """Return the recent reading that was sent under this number, or None."""
        newest, before = self._kept.get(reading.sequence), self._replaced.get(reading.sequence)
        if before is not None and same(before, reading) and (newest is None or not same(newest, reading)):
            return before
        return newest


def same(sent: Sent, heard: Reading) -> bool:
    """Return whether a received reading equals the sent reading, up to the rounding of the frame."""
    inputs = sent.inputs
    values = (
        (inputs.product_us, heard.product_us),
        (inputs.product_c, heard.product_c),
        (inputs.feed_us, heard.feed_us),
        (inputs.feed_c, heard.feed_c),
        (inputs.level_sensor, heard.level_sensor),
    )
    for before, after in values:
        if isinstance(before, float) and isinstance(after, float):
            if abs(before - after) > 1e-3 + 1e-4 * abs(before):
                return False
        elif before is not after:
            return False
    switches = (inputs.switch_low, inputs.switch_full, inputs.switch_overflow)
    return (
        sent.path is heard.path
        and sent.faults == heard.faults
        and switches == (heard.switch_low, heard.switch_full, heard.switch_overflow)
    )


_DAY_S = 86_400.0
_MARGIN = 1.02
_NEAR_MARK_M = 0.010
_LOOKS_S = 60.0
_BUDGET_MARGIN = 1.15
_DEADBAND_L = 1.0
_UNSAVED_L = 2.0
"""A minute of product."""


class Ledger:
    """The judge's accounts of one reservoir; mutable. Times are line seconds."""

    def __init__(self, garden: Garden, now_s: float) -> None:
        """Begin with the plan's assumed concentration of the reservoir."""
        self._garden = garden
        self._limits = garden.plan.limits
        self._held_ppm = garden.plan.assumed_ppm
        self._booked_l: float | None = None
        self._day_from_s = now_s
        self._day_l = 0.0
        self._pulses: int | None = None
        self._fill_open_s = 0.0
        self._fill_l = 0.0
        self._risen_from_l: float | None = None
        self._risen_at_open_s = 0.0
        self._at_mark = False

    def depth_m(self, sent: Sent) -> float | None:
        """Return the depth by the level sensor in metres, or None without a sensor or a value."""
        level_sensor = sent.inputs.level_sensor
        if not isinstance(level_sensor, float):
            return None
        barrel, fit = self._garden.scenario.barrel, self._garden.scenario.fittings
        bottom_m, top_m = (
            barrel.level_sensor_bottom_fraction * barrel.height_m,
            barrel.level_sensor_top_fraction * barrel.height_m,
        )
        return bottom_m + (level_sensor - fit.level_sensor_low) / (
            fit.level_sensor_high - fit.level_sensor_low
        ) * (top_m - bottom_m)

    def restarted(self, now_s: float, clock_moved_s: float) -> None:
        """Record a restart: the wall clock determines the age of the day, and the fill starts again."""
        age_s = min(max(now_s - self._day_from_s + clock_moved_s, 0.0), _DAY_S)
        self._day_from_s = now_s - age_s
        # The bridge lost the litres that entered after it last saved its counters.
        self._day_l = max(0.0, self._day_l - _UNSAVED_L)
        self._pulses = None
        self._new_fill()

    def arrived(self, sent: Sent, ppm: float | None, now_s: float) -> None:
        """Add one frame to the accounts."""
        self._book_pulses(sent)
        depth_m = self.depth_m(sent)
        mark_m = self._garden.plan.level.fill_m
        self._at_mark = sent.inputs.switch_full is True or (
            depth_m is not None and depth_m >= mark_m - _NEAR_MARK_M
        )
        if depth_m is None:
            self._booked_l = self._risen_from_l = None
            return
        volume_l = self._garden.plan.level.shape.volume_l(depth_m)
        self._book_volume(sent, volume_l, ppm)
        rise_l = self._limits.no_rise_l
        if self._risen_from_l is None or volume_l >= self._risen_from_l + rise_l:
            self._risen_from_l, self._risen_at_open_s = volume_l, self._fill_open_s
        self._risen_from_l = min(self._risen_from_l, volume_l)

    def passed(self, driven: Flow, seconds: float, now_s: float) -> None:
        """Record that the valve was driven to this path for these seconds, until now."""
        if now_s - self._day_from_s >= _DAY_S:
            self._day_from_s, self._day_l = now_s, 0.0
        if driven is Flow.TO_RESERVOIR:
            self._fill_open_s += seconds
        elif driven is Flow.SHUT and self._at_mark:
            self._new_fill()

    def tripped(self, now_s: float) -> list[Trip]:
        """Return the trips that these accounts require."""
        limits = self._limits
        found = []
        if self._fill_open_s > limits.fill_max_s * _MARGIN + _LOOKS_S:
            found.append(Trip.FILL_OVER_TIME)
        if self._fill_l > limits.fill_max_l * _MARGIN + 1.0:
            found.append(Trip.FILL_OVER_VOLUME)
        stood_s = self._fill_open_s - self._risen_at_open_s
        # Twice, because noise of the level may complete a rise that stopped just below the threshold. The
        # guard then restarts its timer, at the latest when the first time ends.
        if self._risen_from_l is not None and stood_s > 2.0 * limits.no_rise_after_s + _LOOKS_S:
            found.append(Trip.NO_RISE)
        return found

    @property
    def held_ppm(self) -> float:
        """The dissolved solids of the reservoir by these accounts."""
        return self._held_ppm

    def forbids(self, now_s: float) -> str | None:
        """Return why these accounts forbid flow, or None."""
        if self._day_l > self._limits.daily_max_l * _MARGIN + 1.0:
            return f"{self._day_l:.0f} L have entered within a day"
        if self._held_ppm > self._limits.reservoir_limit_ppm * _BUDGET_MARGIN:
            return f"the reservoir has {self._held_ppm:.0f} ppm by its balance"
        return None

    def sampled(self, ppm: float) -> None:
        """Record an accepted sample of the reservoir."""
        self._held_ppm = ppm

    def reset(self, trip: Trip, now_s: float) -> None:
        """Record the reset of a trip. The next fill starts with new counters."""
        self._new_fill()

    def unlatched(self) -> None:
        """Record that a trip ended the running fill."""
        self._new_fill()

    def _new_fill(self) -> None:
        self._fill_open_s = self._fill_l = self._risen_at_open_s = 0.0
        self._risen_from_l = None

    def _book_pulses(self, sent: Sent) -> None:
        pulses, litres_each = sent.inputs.pulses_total, self._garden.plan.litres_per_pulse
        before, self._pulses = self._pulses, pulses
        # Only water that enters through the open valve counts for a fill and for a day.
        if pulses is None or before is None or litres_each is None or sent.path is not Flow.TO_RESERVOIR:
            return
        litres = max(0, pulses - before) * litres_each
        self._fill_l += litres
        self._day_l += litres

    def _book_volume(self, sent: Sent, volume_l: float, ppm: float | None) -> None:
        if self._booked_l is None:
            self._booked_l = volume_l
            return
        change_l = volume_l - self._booked_l
        if abs(change_l) < _DEADBAND_L:
            return
        if change_l > 0.0 and sent.path is Flow.TO_RESERVOIR:
            came_ppm = 0.0 if ppm is None else max(0.0, ppm)
            held_mg = self._booked_l * self._held_ppm + change_l * came_ppm
            self._held_ppm = held_mg / volume_l
        self._booked_l = volume_l


READING_PERIOD_S = 0.2
LYING_PROBES = frozenset(
    {
        FaultName.PROBE_STUCK,
        FaultName.PROBE_DRIFT,
        FaultName.PROBE_NOISY,
        FaultName.PROBES_SWAPPED,
        FaultName.PROBE_HALF_WET,
        FaultName.PROBE_SCALED,
        FaultName.PROBE_MAINS_NOISE,
    }
)
BOTH_FLOATS = frozenset({FaultName.FLOAT_STUCK, FaultName.FLOATS_CONTRADICT, FaultName.FLOAT_HYSTERESIS})
OUTSIDE = "a cell outside its stated interval"
"""One cell in forty reads lower than its interval (k = 2) says. No guard with one cell knows that."""
_RIM_L = 0.02


@dataclass(slots=True)
class Entered:
    """The water that entered or spilled in one year."""

    worst_opening_l: float = 0.0
    """Most litres over the limit that entered in one opening with a sound probe."""
    worst_share: float = 0.0
    """The largest share of its bound that one opening reached."""
    over_limit_l: float = 0.0
    """Litres over the limit that entered through an open valve with a sound probe."""
    unseen_l: dict[str, float] = field(default_factory=dict)
    """Litres over the limit that entered past a probe that read low, by the fault that hid them."""
    unasked_l: float = 0.0
    """Litres over the limit that entered through a valve stuck open or leaking."""
    spilled_l: float = 0.0
    """Litres over the rim from any cause: rain, a valve that leaks or is stuck open, a fill."""
    both_floats_l: float = 0.0
    """Litres that spilled in a fill while the level float was at fault, without a sound overflow float."""


class Waters:
    """Checks the bounds on water that enters and water that spills; mutable. Times are line seconds."""

    def __init__(self, garden: Garden, world: World) -> None:
        """Start from the present state of the world."""
        self.entered = Entered()
        limits = garden.plan.limits
        self._garden = garden
        self._world = world
        self._flow_l_s = garden.scenario.fittings.flow_l_min / 60.0
        self._has_drain = bool(garden.scenario.fittings.features & Feature.DRAIN_VALVE)
        self._has_overflow = limits.has_overflow_float
        self._looks_s = limits.step_s + READING_PERIOD_S
        self._rinse_s = 0.0 if self._has_drain else limits.rinse_max_s
        self._over_l = world.over_limit_l
        self._spilled_l = world.reservoir.spilled.litres
        self._opening_l = 0.0
        self._opening_bound_l = 0.0
        self._lied: str | None = None

    def bound_l(self, line_delay_s: float) -> float:
        """Return the most litres over the limit that one opening may let in."""
        return self._flow_l_s * (self._rinse_s + self._looks_s + line_delay_s)

    def passed(self, driven: Flow, line_delay_s: float) -> str | None:
        """Check a step. Returns a sentence if a bound was exceeded.

        Args:
            driven: The path of the valve during the step.
            line_delay_s: The delay that a disturbed line adds; 0 on a sound line.
        """
        world = self._world
        over_l = world.over_limit_l - self._over_l
        spilled_l = world.reservoir.spilled.litres - self._spilled_l
        self._over_l += over_l
        self._spilled_l += spilled_l
        if driven is Flow.SHUT:
            self.shut()
        wrong = self._spilled(driven, spilled_l) if spilled_l > 0.0 else None
        if driven is not Flow.SHUT:
            self._opening_bound_l = max(self._opening_bound_l, self.bound_l(line_delay_s))
            lying = LYING_PROBES & world.plan.active.keys()
            if lying:
                self._lied = min(name.value for name in lying)
            elif self._outside_interval():
                self._lied = OUTSIDE
        if over_l > 0.0:
            wrong = self._over(driven, over_l) or wrong
        return wrong

    def recalibrated(self, garden: Garden) -> None:
        """Record that the plan has another constant of the product cell."""
        self._garden = garden

    def _outside_interval(self) -> bool:
        """Return whether the cell reads lower than the interval of its constant (k = 2) allows for."""
        world = self._world
        percent = self._garden.plan.product.chain.uncertainties.cell_constant_percent
        ratio = cell_ratio(self._garden, world.sensors.product_error, world.time_s)
        return ratio * (1.0 + 0.02 * percent) < 1.0

    def shut(self) -> None:
        """Record that the bridge closed the valve, which ends the opening."""
        self._opening_l = self._opening_bound_l = 0.0
        self._lied = None

    def _spilled(self, driven: Flow, litres: float) -> str | None:
        active = self._world.plan.active
        self.entered.spilled_l += litres
        # At the rim, evaporation and rain move hundredths of a litre.
        if driven is not Flow.TO_RESERVOIR or FaultName.VALVE_STUCK_OPEN in active or litres < _RIM_L:
            return None
        no_float = not self._has_overflow or FaultName.OVERFLOW_FLOAT_DOWN in active
        if no_float and BOTH_FLOATS & active.keys():
            self.entered.both_floats_l += litres
            return None
        return f"{litres:.2f} L ran over the rim through a valve that the bridge kept open"

    def _over(self, driven: Flow, litres: float) -> str | None:
        entered = self.entered
        if driven is not Flow.TO_RESERVOIR:
            entered.unasked_l += litres
            return None
        if self._lied is not None:
            entered.unseen_l[self._lied] = entered.unseen_l.get(self._lied, 0.0) + litres
            return None
        self._opening_l += litres
        entered.over_limit_l += litres
        entered.worst_opening_l = max(entered.worst_opening_l, self._opening_l)
        share = self._opening_l / self._opening_bound_l
        entered.worst_share = max(entered.worst_share, share)
        if share <= 1.0:
            return None
        return (
            f"{self._opening_l:.2f} L over the limit entered in one opening, "
            f"and the bound is {self._opening_bound_l:.2f} L"
        )
