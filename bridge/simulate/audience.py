"""What people were shown, held against the disk and the time: nothing too early, too late or out of order."""

import json

from bridge.daemon import saved_state
from bridge.daemon.gate import DISK_PATIENCE_S, NOT_LOGGED
from bridge.guard.state import Latched
from bridge.simulate.disk import Disk
from bridge.simulate.log import Complain
from bridge.station.station import Turn
from bridge.station.view import StationView

_LOOKS_S = 2.0
"""A view leaves with the turn after the disk has answered; while things happen a step lasts a second."""


class Audience:
    """The people of one reservoir; mutable. Times are those of the bridge's monotonic clock.

    Args:
        disk: what the bridge leaves behind.
        reservoir: whose views these are.
        complain: takes a sentence of what is wrong.
    """

    def __init__(self, disk: Disk, reservoir: str, complain: Complain) -> None:
        self._disk = disk
        self._key = saved_state.latched_key(reservoir)
        self._complain = complain
        self._shown: tuple[object, ...] = ()
        self._frames = -1
        self._unheard: dict[str, float] = {}
        """Trips that have latched, and people do not know of, and since when."""

    def began(self) -> None:
        """A bridge starts."""
        self._unheard.clear()
        self._shown = ()
        self._frames = -1

    def turned(self, turn: Turn) -> None:
        """The station had a turn."""
        for event in turn.decision.events:
            if isinstance(event, Latched):
                self._unheard[event.trip.value] = turn.now

    def view(self, view: StationView) -> None:
        """People see this."""
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
        """Time has passed."""
        for trip, since in tuple(self._unheard.items()):
            if now - since > DISK_PATIENCE_S + _LOOKS_S:
                self._complain(f"nobody was shown for {now - since:.1f} s that {trip} has tripped")
                del self._unheard[trip]

    def reset(self, trip: str) -> None:
        """The trip does not stand any more: nobody need learn of it."""
        self._unheard.pop(trip, None)

    def _held_against_disk(self, view: StationView) -> None:
        # Rows of several turns may have come to the disk together: what was there shortly before counts, too.
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
