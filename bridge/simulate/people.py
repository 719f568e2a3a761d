"""Simulates the people of a garden: those at the hub, with the hub's log, and the grower.

At the hub, a view must not appear too early, too late or out of order. Commands come at random times and at
the worst moments. A command may be false (a cartridge that was not changed, a sample that was not taken) or
stale. No command may open the valve while a permissive is missing.

The grower visits after an alarm, repairs, measures, changes cartridges and resets. A visit has two parts. In
the first part, the grower repairs all faults and ends the hold. Some minutes later, the level has settled and
the link is steady. The grower then sends a hand sample of the reservoir, and acknowledges and resets every
trip. The grower repeats a refused reset a few times.
"""

import json
import math
import random
from collections.abc import Callable

from bridge.clock import Timer, VirtualClock
from bridge.daemon import saved_state
from bridge.daemon.gate import DISK_TIMEOUT_S, NOT_LOGGED
from bridge.daemon.relay import Fetch, Pause, Relay, Send
from bridge.guard.commands import (
    Acknowledge,
    CartridgeChanged,
    GuardCommand,
    Hold,
    ReservoirSample,
    Reset,
    Retest,
    Shelve,
    StartFill,
)
from bridge.guard.model import Advisory, Phase, Trip
from bridge.guard.state import Latched
from bridge.history import senml
from bridge.history.outbox import Parcel
from bridge.history.records import Stamp
from bridge.rig.faults import CURED_BY_CARTRIDGE, Fault, FaultName
from bridge.rig.rig import Rig
from bridge.rig.scenario import DAY_S
from bridge.simulate.instruments import TrueMeter
from bridge.simulate.log import Complain, Disk
from bridge.station.station import Station, Turn
from bridge.station.view import StationView

_LOOKS_S = 2.0
"""The margin for a view, which leaves with the next scan after the disk has answered: two steps of 1 s."""


class Audience:
    """Checks the views of one reservoir; mutable. Times are those of the bridge's monotonic clock.

    Args:
        disk: The disk of the bridge.
        reservoir: The name of the reservoir.
        complain: Receives a sentence for each violation.
    """

    def __init__(self, disk: Disk, reservoir: str, complain: Complain) -> None:
        self._disk = disk
        self._key = saved_state.latched_key(reservoir)
        self._complain = complain
        self._shown: tuple[object, ...] = ()
        self._frames = -1
        self._unheard: dict[str, float] = {}
        """The latched trips that no view has shown yet, each with its time."""

    @property
    def waits(self) -> bool:
        """Whether a latched trip was not shown yet."""
        return bool(self._unheard)

    def began(self) -> None:
        """Forget the views of the last session, because a new session starts."""
        self._unheard.clear()
        self._shown = ()
        self._frames = -1

    def turned(self, turn: Turn) -> None:
        """Record the trips of a scan."""
        for event in turn.decision.events:
            if isinstance(event, Latched):
                self._unheard[event.trip.value] = turn.now

    def view(self, view: StationView) -> None:
        """Check a view that people see."""
        frames = view.frames_good + view.frames_damaged
        if frames < self._frames:
            self._complain("a view was shown after a later one")
        self._frames = frames
        shown = (view.latched_trips, view.hold, tuple(one.alarm for one in view.alarms))
        for trip in view.latched_trips:
            self._unheard.pop(trip, None)
        if shown == self._shown:
            return
        self._shown = shown
        if not self._disk.is_full:
            self._held_against_disk(view)

    def passed(self, now: float) -> None:
        """Check that no trip has waited too long for a view."""
        for trip, since in tuple(self._unheard.items()):
            if now - since > DISK_TIMEOUT_S + _LOOKS_S:
                self._complain(f"nobody was shown for {now - since:.1f} s that {trip} has tripped")
                del self._unheard[trip]

    def reset(self, trip: str) -> None:
        """Record that a trip was reset, so no view has to show it."""
        self._unheard.pop(trip, None)

    def _held_against_disk(self, view: StationView) -> None:
        # The disk may receive the rows of several scans together, so recent versions count, too.
        kept = [json.loads(row.text) for row in self._disk.recent(self._key)]
        marked = {one.alarm for one in view.alarms if one.sentence.endswith(NOT_LOGGED)}
        trips = {entry[0] for state in kept for entry in state["latches"]}
        for trip in set(view.latched_trips) - trips - marked:
            self._complain(f"people were shown the trip {trip}, and it was not on the disk")
        alarms = {entry[0] for state in kept for entry in state["alarms"]}
        for alarm in {one.alarm for one in view.alarms} - alarms - marked:
            self._complain(f"people were shown the alarm {alarm}, and it was not on the disk")
        if view.hold and not any(state["hold"] for state in kept):
            self._complain("people were shown the hold, and it was not on the disk")


_NAME = "hub"
_ALARMS = (*Trip, *Advisory)


class HubHand:
    """Draws commands at random; mutable."""

    def __init__(self, seed: str, sampled: Callable[[], float] | None = None) -> None:
        """Create a sender of commands. The seed determines the commands and their times.

        Args:
            seed: The seed of the task.
            sampled: Measures the reservoir. Without it, the samples are of no water.
        """
        self._chance = random.Random(f"{seed}/hub")
        self._sampled = sampled

    def any_command(self, now: float) -> GuardCommand:
        """Return one random command."""
        chance = self._chance
        at = now - 60.0 if chance.random() < 0.1 else now
        match chance.randrange(9):
            case 0:
                return Hold(at, _NAME, chance.random() < 0.3)
            case 1:
                return StartFill(at, _NAME)
            case 2:
                return Acknowledge(at, _NAME, chance.choice((None, *_ALARMS)))
            case 3:
                return Reset(at, _NAME, chance.choice((None, None, *Trip)))
            case 4:
                return Shelve(at, _NAME, chance.choice(_ALARMS), chance.uniform(0.0, 2000.0))
            case 5:
                return CartridgeChanged(at, _NAME)
            case 6:
                return Retest(at, _NAME, chance.uniform(0.0, 80.0))
            case 7:
                ppm = 60.0 * chance.random() ** 3
                return ReservoirSample(at, _NAME, ppm if self._sampled is None else self._sampled())
            case _:
                return Hold(at, _NAME, False)

    def at_the_worst_moment(self, station: Station, tripped: bool, now: float) -> list[GuardCommand]:
        """Return commands for the worst moments: after a trip, in a rinse, in a pause. Mostly empty."""
        chance = self._chance
        if tripped and chance.random() < 0.5:
            return [CartridgeChanged(now, _NAME), Reset(now, _NAME, None), StartFill(now, _NAME)]
        phase = station.state.phase
        if phase is Phase.RINSE and chance.random() < 0.01:
            return [Hold(now, _NAME, True), Hold(now, _NAME, False), StartFill(now, _NAME)]
        if phase is Phase.PAUSE and chance.random() < 0.02:
            return [StartFill(now, _NAME), Retest(now, _NAME, 1.0), Reset(now, _NAME, None)]
        return []


_ROOT = "simulated"
_QUIET_S = 60.0


class HubLog:
    """The hub's log, which drops records that it already has; mutable."""

    def __init__(self, complain: Complain) -> None:
        self._complain = complain
        self._last: Stamp | None = None
        self.rows = 0
        """The number of records without duplicates."""

    def take(self, parcel: Parcel, payload: str) -> None:
        """Store a received parcel."""
        before: Stamp | None = None
        for row in parcel.rows:
            if before is not None and row.stamp <= before:
                self._complain(f"the record of {row.stamp} was sent after the record of {before}")
            before = row.stamp
            if self._last is None or row.stamp > self._last:
                self._last = row.stamp
                self.rows += 1
        if not payload.startswith("["):
            self._complain("the payload of a parcel is not a list of records")


class Carrier:
    """Runs the relay of one session; mutable.

    Args:
        clock: The clock of the session.
        disk: The disk with the parcels.
        hub: The log that receives the parcels.
        connected: Returns whether the broker is connected now.
    """

    def __init__(self, clock: VirtualClock, disk: Disk, hub: HubLog, connected: Callable[[], bool]) -> None:
        self._clock = clock
        self._disk = disk
        self._hub = hub
        self._connected = connected
        self._relay = Relay(clock.monotonic())
        self._timer: Timer = clock.call_later(0.0, self._go)
        self._until_entry = False

    def entry(self) -> None:
        """Wake the relay after a row that is no reading."""
        if self._until_entry:
            self._until_entry = False
            self._timer.cancel()
            self._timer = self._clock.call_later(0.0, self._go)

    def _go(self) -> None:
        while True:
            now = self._clock.monotonic()
            match self._relay.next(now, self._connected()):
                case Pause(seconds, until_entry):
                    self._until_entry = until_entry
                    self._timer = self._clock.call_later(seconds, self._go)
                    return
                case Fetch(count):
                    parcels = self._disk.packs(count)
                    self._relay.fetched([(one, senml.pack(one.rows, _ROOT)) for one in parcels], _QUIET_S)
                case Send(parcel, payload):
                    self._hub.take(parcel, payload)
                    self._disk.acknowledge(parcel)
                    self._relay.sent(True, now)


SETTLES_S = 180.0
_AGAIN_S = 300.0
_MOST_TRIES = 5
_LAYERS = 0.02
"""A reservoir is not evenly mixed, so a sample differs from the whole by this standard deviation."""
WORN = 0.85
"""The load, as a share of the capacity, at which a cartridge is changed."""
_SAMPLE_EVERY_S = 21.0 * DAY_S
_TOO_LITTLE_L = 1.0
"""Less water cannot be sampled."""
_GROWER = "grower"

Give = Callable[[GuardCommand], str | None]


class Grower:
    """One person with a hand meter; mutable. Times are line seconds."""

    def __init__(
        self,
        seed: str,
        rig: Rig,
        send: Give,
        inject: Callable[[Fault], None],
        meter: TrueMeter,
        *,
        keeps_records: bool = False,
        worn: float = WORN,
    ) -> None:
        """Create a grower. The seed determines the times of the visits and the errors of the samples.

        Args:
            seed: The seed of the task.
            rig: The world to look after.
            send: Sends a command to the bridge.
            inject: Injects a fault.
            meter: The hand meter.
            keeps_records: Whether the grower measures the reservoir every few weeks, also without an alarm.
            worn: The load, as a share of the capacity, at which the grower changes a cartridge.
        """
        self._worn = worn
        self._meter = meter
        # Values of its own, so that the other visits of a seed do not depend on the samples.
        self._layers = random.Random(f"{seed}/records")
        self._sample_at = 0.0 if keeps_records else math.inf
        self._chance = random.Random(f"{seed}/grower")
        self._rig = rig
        self._send = send
        self._inject = inject
        self._visit_at: float | None = None
        self._finish_at: float | None = None
        self._tries = 0
        self._look_at = self._next_look(0.0)

    @property
    def next_s(self) -> float:
        """The time of the grower's next action."""
        moments = [at for at in (self._visit_at, self._finish_at, self._look_at) if at is not None]
        return min(moments)

    def alarmed(self, now_s: float, *, brutal: bool) -> None:
        """Plan a visit some hours after an alarm."""
        if self._visit_at is None:
            wait_s = (
                self._chance.uniform(600.0, 3 * 3600.0) if brutal else self._chance.uniform(0.05, 1.5) * DAY_S
            )
            self._visit_at = now_s + wait_s

    def act(self, now_s: float, station: Station | None, clock: Callable[[], float]) -> None:
        """Do the actions that are due. While no bridge runs, the second part of a visit is tried again."""
        if self._look_at <= now_s:
            self._look_at = self._next_look(now_s)
            self._look_after_cartridge(station, clock)
            self._keep_records(now_s, station, clock)
        if self._visit_at is not None and self._visit_at <= now_s:
            self._visit_at = None
            self._repair(station, clock)
            self._tries = 0
            self._finish_at = now_s + SETTLES_S
        if self._finish_at is not None and self._finish_at <= now_s:
            self._finish_at = None
            if station is None or not self._finish(station, clock):
                self._tries += 1
                if self._tries < _MOST_TRIES:
                    self._finish_at = now_s + _AGAIN_S

    def _next_look(self, now_s: float) -> float:
        return (now_s // DAY_S + 1.0) * DAY_S + self._chance.uniform(9.0, 17.0) * 3600.0

    def _look_after_cartridge(self, station: Station | None, clock: Callable[[], float]) -> None:
        if self._rig.world.purifier.load_fraction >= self._worn:
            self._change(station, clock)

    def _keep_records(self, now_s: float, station: Station | None, clock: Callable[[], float]) -> None:
        if station is None or now_s < self._sample_at or self._rig.world.reservoir.volume_l < _TOO_LITTLE_L:
            return
        self._sample_at = now_s + _SAMPLE_EVERY_S
        self._send(ReservoirSample(clock(), _GROWER, self.sampled_ppm()))

    def sampled_ppm(self) -> float:
        """Return what the hand meter shows now in a sample of the reservoir."""
        world = self._rig.world
        ppm = world.reservoir.ppm * self._layers.gauss(1.0, _LAYERS)
        return self._meter.ppm(world.scenario, ppm, world.water_c)

    def _change(self, station: Station | None, clock: Callable[[], float]) -> None:
        self._rig.world.change_cartridge()
        if station is not None:
            self._send(CartridgeChanged(clock(), _GROWER))

    def _repair(self, station: Station | None, clock: Callable[[], float]) -> None:
        world = self._rig.world
        active = set(world.plan.active)
        for name in active - CURED_BY_CARTRIDGE:
            world.repair(name)
        if FaultName.SELF_TEST_FAILED in active:
            # Only a restart makes the controller test itself again.
            self._inject(Fault(FaultName.CONTROLLER_RESET, world.time_s, world.time_s + 2.0))
        latched = set() if station is None else {latch.trip for latch in station.state.latches}
        worn = bool(active & CURED_BY_CARTRIDGE) or world.purifier.load_fraction >= self._worn
        if worn:
            self._change(station, clock)
        elif Trip.PRODUCT_OVER_LIMIT in latched:
            # The grower measures the flushed product of a sound cartridge with the hand meter.
            self._send(Retest(clock(), _GROWER, 2.0))
        if station is not None and station.state.hold:
            self._send(Hold(clock(), _GROWER, False))

    def _finish(self, station: Station, clock: Callable[[], float]) -> bool:
        """Measure, acknowledge and reset. Returns True if no trip is left."""
        reservoir = self._rig.world.reservoir
        shown_ppm = self.sampled_ppm()
        if shown_ppm >= 45.0:
            # The water is unfit for the plants. The grower pumps it onto the lawn and measures the rest.
            self._rig.world.draw(max(1.0, reservoir.volume_l), flow_l_min=60.0)
        self._send(ReservoirSample(clock(), _GROWER, shown_ppm))
        self._send(Acknowledge(clock(), _GROWER, None))
        if station.state.latches:
            self._send(Reset(clock(), _GROWER, None))
        return not station.state.latches
