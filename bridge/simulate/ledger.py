"""Keeps the judge's own records: each reading as it was sent, and the accounts of the water.

The readings are recorded before the line can change them. Each bound here is a bound of the plan plus a
margin, because the bridge smooths the level and these accounts do not. A value over a bound plus its margin
is therefore certainly over the bound.
"""

from dataclasses import dataclass

from bridge.guard.model import Flow, Trip
from bridge.protocol.messages import Feature, LocalFault, Reading
from bridge.rig.controller import Controller
from bridge.rig.sensors import Inputs
from bridge.simulate.gardens import Garden

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

    def report(self, now_s: float, inputs: Inputs) -> None:
        """Send one reading, and keep its inputs."""
        super().report(now_s, inputs)
        sequence = (self._sequence - 1) & 0xFFFF
        kept = self._kept
        # The old entry is removed first, so that the oldest entry stays first when the numbers wrap.
        kept.pop(sequence, None)
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
        return self._kept.get(reading.sequence)


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
