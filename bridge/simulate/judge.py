"""Decides a second time whether water may flow, from the frames that the controller sent.

The judge does not use the guard. The judge follows the design: it takes its bounds from the plan, computes
concentrations with the salts of the rig, and runs its own timers. The bridge filters waves, debounces
switches and adds uncertainty. The judge therefore adds a margin to each time and each value, and forbids
only flow that is *certainly* wrong. The judge may permit flow that the guard refuses, never the reverse.

    forbidden now     by the newest frame, or by frames that have agreed for long enough
    latched           by a condition that must have tripped, until a person's reset that the rule allows
"""

import math
from collections.abc import Collection
from dataclasses import dataclass

from bridge.guard.model import Flow, Trip
from bridge.protocol.messages import LocalFault
from bridge.rig.sensors import conductivity_us_cm
from bridge.simulate.accounts import Ledger, Sent
from bridge.simulate.gardens import Garden

_LATE_S = 2.5
"""The margin on every timer of the bridge: two scans of one second each, and half a second."""
_UNSAVED_S = 1.5
"""A trip is on the disk after the scan that latched it and a sync of the disk."""
_ABOVE_MARK_M = 0.006
_SURELY_UNDER = 0.8
"""Product under this share of the limit is under it for the guard too. Its band is up to 17 % for a cell with
nothing but its label: 5 % (k = 1) of the label, and the method."""
_SURELY = 1.02
_UNSOUND = LocalFault.SELF_TEST | LocalFault.SUPPLY_LOW


@dataclass(slots=True)
class Since:
    """Measures how long a condition has held without a break."""

    at_s: float | None = None

    def look(self, holds: bool, now_s: float) -> float:
        """Record the condition now. Returns the seconds for which it has held, or 0 if it does not hold."""
        if not holds:
            self.at_s = None
            return 0.0
        if self.at_s is None:
            self.at_s = now_s
        return now_s - self.at_s


class Judge:
    """Decides from the received frames which paths are permitted; mutable. Times are line seconds."""

    def __init__(self, garden: Garden, now_s: float) -> None:
        """Begin with a bridge that has just been started for the first time."""
        self._garden = garden
        self._limits = limits = garden.plan.limits
        self.ledger = Ledger(garden, now_s)
        self.hold = False
        self._open_at_s = self._interrupted_s = -math.inf
        self.latched: dict[Trip, float] = {}
        """The trips that must have latched, each with its time."""
        self._remedied = False
        self.frame: Sent | None = None
        self.ppm: float | None = None
        self._arrived_s = now_s
        self._began_s = now_s
        self._steady = Since()
        self._bad_probe = Since()
        self._full_switch = Since()
        self._torn = Since()
        self._unknown = Since()
        self._over = Since()
        self._in_spec = Since()
        self._swapped_s = 0.0
        self._depths_m: list[float] = []
        self._open_s = 0.0
        self.filling = False
        """The rinse of this opening has ended: product was in specification for long enough."""
        self._off_spec_l_m = limits.limit_ppm * _SURELY
        self._why: str | None = "nothing has arrived yet"

    # --- events ---------------------------------------------------------------------------------------

    def recalibrated(self, garden: Garden) -> None:
        """Record that the plan has another constant of the product cell."""
        self._garden = garden

    def died(self, now_s: float, on_disk: Collection[str]) -> None:
        """Forget the trips of the last moment that nobody was shown, because they did not reach the disk."""
        for trip, at_s in list(self.latched.items()):
            if trip.value not in on_disk and now_s - at_s <= _UNSAVED_S:
                del self.latched[trip]

    def restarted(self, now_s: float, clock_moved_s: float) -> None:
        """Restart with the bridge: keep the latched trips, and restart every timer.

        Args:
            now_s: Line seconds.
            clock_moved_s: The seconds that the wall clock gained on the line time while no bridge ran. The
                bridge computes saved ages with the wall clock.
        """
        self._began_s = self._arrived_s = now_s
        self._open_at_s = self._interrupted_s = -math.inf
        for clock in (self._steady, self._bad_probe, self._full_switch, self._torn, self._unknown):
            clock.at_s = None
        self._over.at_s = self._in_spec.at_s = None
        self._swapped_s = 0.0
        self._depths_m.clear()
        self.frame = None
        self._why = "nothing has arrived yet"
        self.filling = False
        self._open_s = 0.0
        self.ledger.restarted(now_s, clock_moved_s)

    def arrived(self, sent: Sent, now_s: float) -> None:
        """Record a frame that reached the bridge intact."""
        before, self.frame = self.frame, sent
        gap_s = min(10.0, now_s - self._arrived_s)
        self._arrived_s = now_s
        self.ppm = self._measured_ppm(sent)
        self._look(sent, now_s, gap_s if before is not None else 0.0)
        self.ledger.arrived(sent, self.ppm, now_s)
        self._latch(now_s)
        self._why = self._reason(sent)

    def passed(self, driven: Flow, seconds: float, now_s: float) -> None:
        """Record that the valve was driven to this path for these seconds, until now."""
        if driven is Flow.SHUT:
            self.shut()
        else:
            self._open_s += seconds
            self._open_at_s = now_s
            if not self.filling:
                self._over.at_s = None
        self.ledger.passed(driven, seconds, now_s)
        for trip in self.ledger.tripped(now_s):
            self.latched.setdefault(trip, now_s)

    def shut(self) -> None:
        """Record that the bridge closed the valve. The next opening begins with a rinse."""
        self._open_s = 0.0
        self.filling = False

    def silence(self, now_s: float) -> None:
        """Check after a scan of the running bridge whether the link was silent for too long."""
        if now_s - max(self._arrived_s, self._began_s) > self._limits.link_lost_after_s + _LATE_S:
            self.latched.setdefault(Trip.LINK_LOST, now_s)
            self._steady.at_s = None

    def held(self, on: bool, now_s: float) -> None:
        """Record that a person put filling on hold, or released it."""
        if on and not self.hold and now_s - self._open_at_s < _LATE_S:
            self._interrupted_s = now_s
        self.hold = on

    def remedied(self) -> None:
        """Record that a cartridge change or a passed retest was accepted."""
        self._remedied = True

    def reset(self, trip: Trip | None, now_s: float) -> str | None:
        """Record an accepted reset. Returns a sentence if the cause of the trip is still present."""
        self._interrupted_s = -math.inf
        wrong = None
        for one in [one for one in self.latched if trip in (None, one)]:
            if self._may_reset(one):
                del self.latched[one]
                self.ledger.reset(one, now_s)
            elif trip is one:
                wrong = f"the reset of {one.value} was accepted, and its cause is still present"
        if Trip.PRODUCT_OVER_LIMIT not in self.latched:
            self._remedied = False
            self._over.at_s = None
        return wrong

    # --- decisions ------------------------------------------------------------------------------------

    def forbids(self, path: Flow, now_s: float) -> str | None:
        """Return why the valve must not be driven to this path now, or None if the path is permitted."""
        if path is Flow.SHUT:
            return None
        if self.hold:
            return "filling is on hold"
        if now_s - self._interrupted_s < self._limits.pause_s - _LATE_S:
            return "a hold has interrupted the fill a moment ago"
        if self.latched:
            return f"{next(iter(self.latched)).value} must be latched"
        if now_s - self._arrived_s > self._limits.stale_after_s + 1e-6:
            return f"the newest frame is {now_s - self._arrived_s:.1f} s old"
        if self._why is not None:
            return self._why
        return self._over_reason(path) or self.ledger.forbids(now_s)

    # --- helpers --------------------------------------------------------------------------------------

    @property
    def _per_cm(self) -> float:
        return self._garden.plan.product.chain.cell.constant_per_cm

    def _measured_ppm(self, sent: Sent) -> float | None:
        """Return the product's ppm by the salts of the simulated world, not by the bridge's compensation."""
        us, celsius = sent.inputs.product_us, sent.inputs.product_c
        if not isinstance(us, float) or not isinstance(celsius, float) or not 0.0 <= celsius <= 50.0:
            return None
        scenario = self._garden.scenario
        none = conductivity_us_cm(0.0, scenario.factor, celsius)
        one = conductivity_us_cm(1.0, scenario.factor, celsius, scenario.walden)
        # By the cell that the bridge has in its plan: an error of the cell itself is in no reading.
        return (us * self._per_cm - none) / (one - none)

    def _look(self, sent: Sent, now_s: float, gap_s: float) -> None:
        inputs, limits, ppm = sent.inputs, self._limits, self.ppm
        over = ppm is not None and ppm >= self._off_spec_l_m
        self._bad_probe.look(self._probe_is_bad(sent), now_s)
        # Product over the limit during a fill keeps its timer while the valve is shut.
        self._over.look(over and (self.filling or self._over.at_s is not None), now_s)
        in_spec_s = self._in_spec.look(ppm is not None and ppm < _SURELY_UNDER * limits.limit_ppm, now_s)
        if self._open_s >= limits.rinse_min_s + _LATE_S and in_spec_s >= limits.in_spec_s + _LATE_S:
            self.filling = True
        if sent.path is not Flow.SHUT and self._looks_swapped(sent):
            self._swapped_s += gap_s
        elif sent.path is not Flow.SHUT:
            self._swapped_s = 0.0
        self._full_switch.look(inputs.switch_full is True, now_s)
        self._torn.look(inputs.switch_full is True and inputs.switch_low is False, now_s)
        level = self._garden.plan.level
        nothing = inputs.level_sensor is None and (inputs.switch_low is None or inputs.switch_full is None)
        torn_s = now_s - self._torn.at_s if self._torn.at_s is not None else 0.0
        self._unknown.look(nothing or torn_s > level.contradiction_s + level.debounce_s + _LATE_S, now_s)
        depth_m = self.ledger.depth_m(sent)
        if depth_m is None:
            self._depths_m.clear()
        else:
            self._depths_m = [*self._depths_m[-4:], depth_m]

    def _probe_is_bad(self, sent: Sent) -> bool:
        us, celsius = sent.inputs.product_us, sent.inputs.product_c
        watch = self._garden.plan.product.watch
        if not isinstance(us, float) or not isinstance(celsius, float):
            return True
        if not watch.lowest_c <= celsius <= watch.highest_c or celsius in watch.fault_codes_c:
            return True
        pure_us_cm = conductivity_us_cm(0.0, 1.0, min(50.0, max(0.0, celsius)))
        return us * self._per_cm < 0.7 * pure_us_cm

    def _looks_swapped(self, sent: Sent) -> bool:
        fit = self._garden.scenario.fittings
        us, feed_us = sent.inputs.product_us, sent.inputs.feed_us
        if self._garden.plan.feed is None:
            return False
        if not isinstance(us, float) or not isinstance(feed_us, float) or feed_us <= 0.5:
            return False
        return us * self._per_cm > 1.6 * feed_us * fit.feed_cell_per_cm

    def _reason(self, sent: Sent) -> str | None:
        """Return why this frame and the frames before it forbid every path, or None."""
        limits, inputs = self._limits, sent.inputs
        celsius = inputs.product_c
        level = self._garden.plan.level
        depth_m = sorted(self._depths_m)[len(self._depths_m) // 2] if len(self._depths_m) == 5 else 0.0
        now_s = self._arrived_s
        full_s = 0.0 if self._full_switch.at_s is None else now_s - self._full_switch.at_s
        if self._bad_probe.at_s is not None:
            return "the product probe has failed"
        if self._swapped_s > self._garden.plan.product.watch.swapped_after_s + _LATE_S:
            return "the product cell and the feed cell are swapped"
        if (
            isinstance(celsius, float)
            and not limits.temperature_low_c <= celsius <= limits.temperature_high_c
        ):
            return f"the water temperature is {celsius:.1f} °C"
        if inputs.switch_overflow is True or LocalFault.OVERFLOW_CUT in sent.faults:
            return "the overflow float is up"
        if self._unknown.at_s is not None:
            return "the level is not known"
        if full_s > level.debounce_s + _LATE_S or depth_m >= level.fill_m + _ABOVE_MARK_M:
            return "the level is at the fill mark"
        # Testing for no fault first saves 0.6 µs a reading.
        if sent.faults and sent.faults & _UNSOUND:
            return "the controller reports a fault"
        return None

    def _over_reason(self, path: Flow) -> str | None:
        """Return why product over the limit must not take this path, or None.

        Such product may flow to a drain, or for a bounded time in a rinse, but never in a fill.
        """
        ppm, limits = self.ppm, self._limits
        if ppm is None or ppm < self._off_spec_l_m:
            return None
        if self.filling:
            return f"the product has {ppm:.0f} ppm in a fill"
        if limits.has_drain and path is Flow.TO_RESERVOIR:
            return f"product of {ppm:.0f} ppm flows to the reservoir, and a drain is fitted"
        if self._open_s > limits.rinse_max_s + _LATE_S:
            return f"the rinse has lasted {self._open_s:.0f} s"
        return None

    def _latch(self, now_s: float) -> None:
        limits, sent, ppm = self._limits, self.frame, self.ppm
        assert sent is not None
        found: list[Trip] = []
        if sent.inputs.switch_overflow is True or LocalFault.OVERFLOW_CUT in sent.faults:
            found.append(Trip.OVERFLOW)
        if _lasted(self._bad_probe, now_s, limits.probe_failure_after_s + _LATE_S):
            found.append(Trip.PROBE_FAILURE)
        if _lasted(self._unknown, now_s, limits.level_failure_after_s + _LATE_S):
            found.append(Trip.LEVEL_FAILURE)
        if self.latched:
            self._over.at_s = None
        if self._over.at_s is not None and ppm is not None:
            gross = ppm >= limits.gross_ppm * _SURELY
            if gross or _lasted(self._over, now_s, limits.persistence_s + _LATE_S):
                found.append(Trip.PRODUCT_OVER_LIMIT)
        for trip in found:
            if trip not in self.latched:
                self.latched[trip] = now_s
                self._remedied = self._remedied and trip is not Trip.PRODUCT_OVER_LIMIT
        # The trip link-lost resets itself when the link has been steady for long enough.
        if self._steady.look(True, now_s) >= limits.link_steady_s - _LATE_S:
            self.latched.pop(Trip.LINK_LOST, None)

    def _may_reset(self, trip: Trip) -> bool:
        sent = self.frame
        if sent is None:
            return False
        match trip:
            case Trip.OVERFLOW:
                return sent.inputs.switch_overflow is not True and LocalFault.OVERFLOW_CUT not in sent.faults
            case Trip.PROBE_FAILURE:
                return self._bad_probe.at_s is None
            case Trip.LEVEL_FAILURE:
                return self._unknown.at_s is None
            case Trip.PRODUCT_OVER_LIMIT:
                return self._remedied
            case Trip.LINK_LOST:
                return math.isfinite(self._arrived_s)
            case _:
                return True


def _lasted(clock: Since, now_s: float, seconds: float) -> bool:
    return clock.at_s is not None and now_s - clock.at_s >= seconds
