"""What survives a restart, as JSON and back. Core.

Two values for each reservoir. The *latched* one must never be lost: trips, alarms, shelving, hold. The
*accounts* would be missed: what the reservoir holds, what the purifier took up, the day's volume. Times are
kept as UTC and come back as monotonic seconds; an age that the clock makes absurd is cut to its bound.
"""

import json
from dataclasses import dataclass
from typing import Any

from bridge.errors import LogError
from bridge.guard.alarms import AlarmRecord, Status
from bridge.guard.limits import Limits
from bridge.guard.model import Advisory, AlarmId, Trip
from bridge.guard.rules import ACTIVE
from bridge.guard.sequence import DAY_S
from bridge.guard.state import GuardState, Latch, begin
from bridge.purifier.cartridge import Load
from bridge.station.inventory import Inventory
from bridge.tank.mixing import Balance

_LAYOUT = 1
_ALARMS: dict[str, AlarmId] = {one.value: one for one in (*Trip, *Advisory)}


@dataclass(frozen=True, slots=True)
class Moment:
    """One moment on both clocks."""

    monotonic_s: float
    utc_s: float

    def utc_of(self, monotonic_s: float) -> float:
        """The UTC of a monotonic time."""
        return self.utc_s + (monotonic_s - self.monotonic_s)

    def ago(self, utc_s: float, longest_s: float) -> float:
        """The monotonic time of a past UTC, at most that long ago and never in the future."""
        return self.monotonic_s - min(max(self.utc_s - utc_s, 0.0), longest_s)

    def ahead(self, utc_s: float, longest_s: float) -> float:
        """The monotonic time of a future UTC, at most that far ahead."""
        return self.monotonic_s + min(max(utc_s - self.utc_s, 0.0), longest_s)


def latched(state: GuardState, moment: Moment) -> bytes:
    """What must not be lost."""
    return _written(
        {
            "latches": [[one.trip.value, moment.utc_of(one.at), one.remedied] for one in state.latches],
            "first_out": None if state.first_out is None else state.first_out.value,
            "hold": state.hold,
            "alarms": [
                [
                    one.alarm.value,
                    one.status.value,
                    moment.utc_of(one.since),
                    None if one.shelved_until is None else moment.utc_of(one.shelved_until),
                ]
                for one in state.alarms
            ],
        }
    )


def accounts(state: GuardState, inventory: Inventory, moment: Moment) -> bytes:
    """What would be missed."""
    balance, load = inventory.balance, inventory.load
    running_l = state.fill.volume_l if state.phase in ACTIVE else 0.0
    return _written(
        {
            "day": [moment.utc_of(state.day_from), state.day_l + running_l],
            "assumed_ppm": inventory.assumed_ppm,
            "balance": None if balance is None else [balance.volume_l, balance.solids_mg],
            "load": [load.treated_l, load.taken_up_g],
        }
    )


def guard_state(
    kept_latched: bytes | None, kept_accounts: bytes | None, limits: Limits, moment: Moment
) -> GuardState:
    """The guard's state at the start, from what an earlier process kept.

    Raises:
        LogError: what was kept cannot be read. Then nobody knows what was latched.
    """
    data = _read(kept_latched)
    day = _read(kept_accounts).get("day")
    now = moment.monotonic_s
    try:
        return begin(
            now,
            latches=tuple(
                Latch(Trip(trip), moment.ago(at, 100 * 366 * DAY_S), bool(remedied))
                for trip, at, remedied in data.get("latches", ())
            ),
            first_out=None if data.get("first_out") is None else Trip(data["first_out"]),
            hold=bool(data.get("hold", False)),
            alarms=tuple(
                AlarmRecord(
                    _ALARMS[alarm],
                    Status(status),
                    moment.ago(since, 100 * 366 * DAY_S),
                    None if until is None else moment.ahead(until, 60.0 * limits.shelve_max_minutes),
                )
                for alarm, status, since, until in data.get("alarms", ())
            ),
            day_from=None if day is None else moment.ago(day[0], DAY_S),
            day_l=0.0 if day is None else float(day[1]),
        )
    except (ValueError, KeyError, TypeError) as error:
        raise _unreadable(error) from error


def inventory(kept: bytes | None, assumed_ppm: float) -> Inventory:
    """The accounts at the start; ``assumed_ppm`` stands in where nothing was kept.

    Raises:
        LogError: what was kept cannot be read.
    """
    data = _read(kept)
    try:
        balance, load = data.get("balance"), data.get("load")
        return Inventory(
            float(data.get("assumed_ppm", assumed_ppm)),
            None if balance is None else Balance(float(balance[0]), float(balance[1])),
            Load() if load is None else Load(float(load[0]), float(load[1])),
        )
    except (ValueError, KeyError, TypeError, IndexError) as error:
        raise _unreadable(error) from error


def _written(data: dict[str, Any]) -> bytes:
    return json.dumps({"layout": _LAYOUT, **data}, separators=(",", ":")).encode()


def _read(kept: bytes | None) -> dict[str, Any]:
    if kept is None:
        return {}
    try:
        data = json.loads(kept)
        if data["layout"] != _LAYOUT:
            raise ValueError(f"layout {data['layout']}")
    except (ValueError, KeyError, TypeError) as error:
        raise _unreadable(error) from error
    return dict(data)


def _unreadable(error: BaseException) -> LogError:
    return LogError(f"The state that an earlier run saved in the log cannot be read ({error}).")
