"""The judge's own records: every reading as it was sent, and the accounts of the water.

Readings are recorded before the line can change them. Every bound here is one of the plan's with a margin,
because the bridge smooths the level and these accounts do not: a value over a bound with its margin is
surely over the bound itself.
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
    """A controller whose readings are kept, each under its sequence number, until enough newer ones came."""

    def __init__(self, features: Feature) -> None:
        """Power it on at its time 0."""
        super().__init__(features)
        self.last: Sent | None = None
        self._kept: dict[int, Sent] = {}

    def report(self, now_s: float, inputs: Inputs) -> None:
        """Send one reading, and remember what went into it."""
        super().report(now_s, inputs)
        sequence = (self._sequence - 1) & 0xFFFF
        kept = self._kept
        # Taken out first, so that the oldest stands first when the numbers come round again.
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
        """The reading that left under this number; None when none did lately."""
        return self._kept.get(reading.sequence)


def same(sent: Sent, heard: Reading) -> bool:
    """What was heard is what was sent, up to the digits that a frame has room for."""
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
    """Own accounts of one reservoir; mutable. Times are line seconds."""

    def __init__(self, garden: Garden, now_s: float) -> None:
        """Begin with the plan's assumption about what the reservoir holds."""
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
        """What the level sensor says, in metres; None without one or without a value."""
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
        """The bridge was away: its day is as old as the wall clock says, an interrupted fill begins anew."""
        age_s = min(max(now_s - self._day_from_s + clock_moved_s, 0.0), _DAY_S)
        self._day_from_s = now_s - age_s
        # What came in since the accounts were last kept is not known to it.
        self._day_l = max(0.0, self._day_l - _UNSAVED_L)
        self._pulses = None
        self._new_fill()

    def arrived(self, sent: Sent, ppm: float | None, now_s: float) -> None:
        """Book one frame."""
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
        """The valve stood like this for so long, until now."""
        if now_s - self._day_from_s >= _DAY_S:
            self._day_from_s, self._day_l = now_s, 0.0
        if driven is Flow.TO_RESERVOIR:
            self._fill_open_s += seconds
        elif driven is Flow.SHUT and self._at_mark:
            self._new_fill()

    def tripped(self, now_s: float) -> list[Trip]:
        """What must have tripped by these books."""
        limits = self._limits
        found = []
        if self._fill_open_s > limits.fill_max_s * _MARGIN + _LOOKS_S:
            found.append(Trip.FILL_OVER_TIME)
        if self._fill_l > limits.fill_max_l * _MARGIN + 1.0:
            found.append(Trip.FILL_OVER_VOLUME)
        stood_s = self._fill_open_s - self._risen_at_open_s
        # Twice: a rise that stopped just short of counting is made to count by the noise of the level, at any
        # moment until the first time is over, and then the guard waits anew.
        if self._risen_from_l is not None and stood_s > 2.0 * limits.no_rise_after_s + _LOOKS_S:
            found.append(Trip.NO_RISE)
        return found

    def forbids(self, now_s: float) -> str | None:
        """Why no water may flow by these books."""
        if self._day_l > self._limits.daily_max_l * _MARGIN + 1.0:
            return f"{self._day_l:.0f} L have come in within a day"
        if self._held_ppm > self._limits.reservoir_limit_ppm * _BUDGET_MARGIN:
            return f"the reservoir holds {self._held_ppm:.0f} ppm by its balance"
        return None

    def sampled(self, ppm: float) -> None:
        """A sample of the reservoir was accepted."""
        self._held_ppm = ppm

    def reset(self, trip: Trip, now_s: float) -> None:
        """A trip was reset: the next fill is a new one."""
        self._new_fill()

    def unlatched(self) -> None:
        """A trip ended the fill that ran."""
        self._new_fill()

    def _new_fill(self) -> None:
        self._fill_open_s = self._fill_l = self._risen_at_open_s = 0.0
        self._risen_from_l = None

    def _book_pulses(self, sent: Sent) -> None:
        pulses, litres_each = sent.inputs.pulses_total, self._garden.plan.litres_per_pulse
        before, self._pulses = self._pulses, pulses
        # Only water that the open valve let in counts for a fill and for a day.
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
