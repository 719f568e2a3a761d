"""Checks the valve, the water, the faults and the alarms against the true state, at every step."""

from collections.abc import Collection, Mapping

from bridge.guard.commands import (
    CartridgeChanged,
    GuardCommand,
    Hold,
    ReservoirSample,
    Reset,
    Retest,
)
from bridge.guard.model import Advisory, Flow, Trip
from bridge.guard.state import AlarmChanged
from bridge.protocol.messages import Close, FromBridge, FromController, Lease, Reading
from bridge.rig.faults import Fault, FaultName
from bridge.rig.rig import Rig
from bridge.simulate.accounts import Waters, Witness, same
from bridge.simulate.detection import Detection
from bridge.simulate.gardens import Garden
from bridge.simulate.hazards import hazards
from bridge.simulate.instruments import cell_ratio
from bridge.simulate.judge import Judge
from bridge.simulate.outcome import Outcome
from bridge.simulate.promises import judge_at_limit, judge_product, judge_reservoir
from bridge.station.station import Station

_LINKS = frozenset({FaultName.LINK_NOISE, FaultName.LINK_CUT, FaultName.LINK_LAG})
_LONGEST_LAG_S = 4.0
"""A lag of two seconds at the highest severity that the seed can give."""
_LINE_RECOVERS_S = 15.0
_HEARS_AFTER_S = 5.0
_BREAKS_THROUGH = 0.9
"""The product of a bed may exceed the target from this share of its capacity on."""
_WORTH_ORDERING = 0.25
"""No forecast may ask for the next cartridge below this share of the capacity.

It is half of the life of a cartridge whose rating is too high by a factor of two, the largest error that the
forecast of a first cartridge must allow for.
"""
_NEARLY_FULL = 0.85
_SEASON_S = 365.0 * 86_400.0
_LONG_AGO_S = -1e9
_LITRES_STEP = 3.0
"""The step in litres, where a station counts litres by the level."""


class Checks:
    """Judges one reservoir; mutable. Times are line seconds.

    **The valve.** On a sound line, the judge must permit the path of the valve after every scan of the
    bridge. On a disturbed line, a close may be late or lost. The valve may then stay open for the greatest
    age of a frame, one lease, and the lag in both directions. On any line, the bridge must never *send* a
    lease that the judge forbids. After a bridge dies, the valve must be shut when the last lease lapses.
    """

    def __init__(self, garden: Garden, rig: Rig, controller: Witness, outcome: Outcome) -> None:
        """Begin with a bridge that has just been started for the first time."""
        self.judge = Judge(garden, rig.line_s)
        self.waters = Waters(garden, rig.world)
        fit = garden.scenario.fittings
        table = hazards(
            garden.plan.limits,
            garden.plan.product.watch,
            garden.plan.identity.has_volume,
            fit.flow_l_min / 60.0,
            0.5 * fit.leak_l_min / 60.0,
            has_check_cell=garden.plan.check is not None,
            has_switches=garden.plan.level.low_switch and garden.plan.level.full_switch,
        )
        self.detection = Detection(table, rig.world, self._cell_ratio)
        self.new_fill = False
        """A trip, a reset or a start ended the fill, if one was running."""
        self._garden = garden
        self._rig = rig
        self._world = rig.world
        self._controller = controller
        self._outcome = outcome
        self._limits = garden.plan.limits
        self._disturbed_until = _LONG_AGO_S
        self._forbidden_since: float | None = None
        self._last_lease_s = self._last_death_s = self._heard_s = _LONG_AGO_S
        self._born_s = rig.line_s
        self._treated_l: float | None = None
        """Litres that the purifier had treated when the bridge died; None if they may be lost."""
        self._lost_s = 0.0
        self._commanding = False
        self._asked_for: list[Flow] = []

    def _cell_ratio(self) -> float:
        return cell_ratio(self._garden, self._world.sensors.product_error, self._world.time_s)

    def recalibrated(self, garden: Garden) -> None:
        """Record that the product cell has a new calibration in the plan of the garden."""
        self._garden = garden
        self.judge.recalibrated(garden)
        self.waters.recalibrated(garden)

    def violated(self, sentence: str) -> None:
        """Record a violation: a thing that must never happen."""
        self._outcome.violated(self._rig.line_s, sentence)

    # --- events ---------------------------------------------------------------------------------------

    def born(self, clock_moved_s: float) -> None:
        """Record that a bridge starts.

        Args:
            clock_moved_s: The seconds that the wall clock gained on the line time while no bridge ran.
        """
        now_s = self._rig.line_s
        if self._last_death_s > _LONG_AGO_S:
            self.judge.restarted(now_s, clock_moved_s)
        self._born_s = now_s
        self.new_fill = True
        self._forbidden_since = None

    def died(self, on_disk: Collection[str], hold: bool | None = None) -> None:
        """Record that the bridge died.

        Args:
            on_disk: The trips that are latched on its disk.
            hold: The hold on its disk, if the disk was full. None if it was not.
        """
        self._last_death_s = self._rig.line_s
        self.judge.died(self._rig.line_s, on_disk)
        if hold is not None:
            self.judge.hold = hold

    def counted(self, treated_l: float | None, lost_s: float) -> None:
        """Record the counters of a bridge that dies.

        Args:
            treated_l: The litres that the purifier has treated; None if they may be lost.
            lost_s: The longest time since the counters on the disk were saved.
        """
        self._treated_l, self._lost_s = treated_l, lost_s

    def restored(self, treated_l: float) -> None:
        """Check that a restart loses no more litres than may have flowed since the counters were saved."""
        before_l, self._treated_l = self._treated_l, None
        if before_l is None:
            return
        lost_l = before_l - treated_l
        bound_l = self._garden.scenario.fittings.flow_l_min / 60.0 * self._lost_s + _LITRES_STEP
        if lost_l > bound_l:
            self.violated(f"{lost_l:.1f} L treated were lost at a restart, and the bound is {bound_l:.1f} L")

    def passed(self, driven: Flow, seconds: float, before: Mapping[FaultName, Fault]) -> None:
        """Record the time of a step.

        Args:
            driven: The path of the valve during the step.
            seconds: The length of the step.
            before: The faults that were active at the start of the step.
        """
        now_s = self._rig.line_s
        if not (_LINKS.isdisjoint(before) and _LINKS.isdisjoint(self._world.plan.active)):
            self._disturbed_until = now_s + _LINE_RECOVERS_S + 2.0 * _LONGEST_LAG_S
        self.judge.passed(driven, seconds, now_s)

    def heard(self, message: FromController) -> None:
        """Check a message that the bridge received and will act on."""
        if not isinstance(message, Reading):
            return
        now_s = self._rig.line_s
        sent = self._controller.sent_as(message)
        # On a sound line, every message arrives as it was sent.
        if sent is None or (now_s < self._disturbed_until and not same(sent, message)):
            self.violated(f"the bridge took a reading that the controller did not send: {message}")
            return
        self._heard_s = now_s
        self.judge.arrived(sent, now_s)

    def sent(self, message: FromBridge) -> None:
        """Check a message that the bridge sent."""
        if isinstance(message, Close):
            # A valve that opens again within the same second starts another opening.
            self.judge.shut()
            self.waters.shut()
        elif isinstance(message, Lease):
            self._last_lease_s = self._rig.line_s
            if self._commanding:
                # The check waits until the command that caused the lease is accepted or refused.
                self._asked_for.append(message.path)
            else:
                self._check_lease(message.path)

    def commanding(self) -> None:
        """Record that the bridge is about to accept or refuse a person's command."""
        self._commanding = True

    def commanded(self, command: GuardCommand, accepted: bool) -> None:
        """Record whether the command was accepted. An accepted command changes the state of the judge."""
        self._commanding = False
        judge = self.judge
        if accepted:
            match command:
                case Hold(on=on):
                    judge.held(on, self._rig.line_s)
                case CartridgeChanged() | Retest():
                    judge.remedied()
                case ReservoirSample(ppm=ppm):
                    judge.ledger.sampled(ppm)
                case Reset(trip=trip):
                    self.new_fill = True
                    judge.ledger.unlatched()
                    wrong = judge.reset(trip, self._rig.line_s)
                    if wrong is not None:
                        self.violated(wrong)
                case _:
                    pass
        for path in self._asked_for:
            self._check_lease(path)
        self._asked_for.clear()

    def raised(self, change: AlarmChanged) -> None:
        """Check an alarm in a garden without faults: the true state must explain the alarm."""
        world = self._world
        expected = False
        match change.alarm:
            case Advisory.PRODUCT_OVER_TARGET:
                expected = world.purifier.load_fraction > _BREAKS_THROUGH
            case Advisory.TEMPERATURE_OUT_OF_RANGE:
                expected = self._garden.hot
            case Advisory.ORDER_CARTRIDGE:
                expected = world.purifier.load_fraction > _WORTH_ORDERING
            case Trip.RESERVOIR_BUDGET:
                # A hand meter can show good water as unfit.
                expected = self.judge.ledger.held_ppm > _NEARLY_FULL * self._limits.reservoir_limit_ppm
            case Advisory.CALIBRATION_DUE:
                made = self._garden.plan.product.calibration
                expected = made is not None and made.age_s + self._rig.line_s > _SEASON_S
            case Advisory.CELL_DOUBTFUL:
                # The watch is a statistical test: a few false alarms are no violation.
                self._outcome.false_alarms += 1
                expected = True
            case Trip.OVERFLOW:
                expected = self._garden.rained_into and world.overflow_up
            case _:
                pass
        if not expected:
            self._outcome.false_alarms += 1
            self.violated(f"the alarm {change.alarm.value} was raised without a cause")

    # --- the verdict on a step -------------------------------------------------------------------------

    def verdict(self, driven: Flow, seconds: float, station: Station | None) -> None:
        """Check the step that has ended; ``driven`` is the path of the valve during the step."""
        now_s, world = self._rig.line_s, self._world
        delay_s = 0.0
        if now_s < self._disturbed_until:
            delay_s = self._limits.stale_after_s + self._limits.lease_s + 2.0 * _LONGEST_LAG_S
        self._check_valve(world.driven, delay_s, now_s)
        # Nobody shuts the valve of a dead bridge before its last lease lapses.
        dead = self._last_lease_s <= self._last_death_s
        lease_s = self._limits.lease_s * self._controller.second_s
        wrong = self.waters.passed(driven, delay_s + lease_s if dead else delay_s)
        if wrong is not None:
            self.violated(wrong)
        if self.detection.watching:
            alive = station is not None and now_s >= self._born_s + _HEARS_AFTER_S
            sound = alive and now_s >= self._disturbed_until
            wrong = self.detection.passed(
                seconds,
                driven,
                station,
                alive=alive,
                sound=sound,
                hears=now_s - self._heard_s <= self._limits.stale_after_s,
                new_fill=self.new_fill,
            )
            self.new_fill = False
            if wrong is not None:
                self.violated(wrong)
        if world.reservoir.ppm > self._outcome.most_ppm:
            self._outcome.most_ppm = world.reservoir.ppm

    def intervals(self, station: Station, *, true_samples: bool) -> None:
        """Judge the intervals that a station states now against the true water.

        Args:
            station: The station.
            true_samples: Whether the samples of people are of the water of the reservoir.
        """
        promises, truth, view = self._outcome.promises, self._world.truth(), station.view()
        judge_product(promises, view, truth)
        if truth.path is not Flow.SHUT and not truth.faults:
            judge_at_limit(promises, self._world, station.plan_in_use.product.chain)
        if true_samples and not self.detection.instrument_fault_unseen(station):
            judge_reservoir(promises, view, truth, with_faults=self._outcome.task.faults)

    def _check_lease(self, path: Flow) -> None:
        why = self.judge.forbids(path, self._rig.line_s)
        if why is not None:
            self.violated(f"a lease for {path.value} was sent although {why}")

    def _check_valve(self, driven: Flow, delay_s: float, now_s: float) -> None:
        if driven is Flow.SHUT:
            self._forbidden_since = None
            return
        # The controller counts the lease by its own clock, which may be slow.
        lease_s = self._limits.lease_s * self._controller.second_s
        if self._last_lease_s <= self._last_death_s:
            # No bridge has sent a lease since the last bridge died.
            open_s = now_s - self._last_death_s
            self._outcome.shut_after_death_s = max(self._outcome.shut_after_death_s, open_s)
            if open_s > lease_s + delay_s:
                self.violated(f"the valve is open {open_s:.1f} s after the bridge died")
            return
        if now_s - self._last_lease_s > lease_s + delay_s:
            self.violated(f"the valve is open {now_s - self._last_lease_s:.1f} s after the last lease")
        why = self.judge.forbids(driven, now_s)
        if why is None:
            self._forbidden_since = None
            return
        if self._forbidden_since is None:
            self._forbidden_since = now_s
        if delay_s == 0.0 or now_s - self._forbidden_since > delay_s:
            self.violated(f"the valve is driven to {driven.value} although {why}")
