"""Converts the state of a station that survives a restart to JSON and back. Core.

Each reservoir has two rows. The *latched* row must never be lost: trips, alarms, shelving, hold. The
*accounts* row has the counters: contents of the reservoir, load of the purifier, the day's volume, the
running fill, the last count of pulses, the id of the controller. Times are stored as UTC and restored as
monotonic seconds. An age outside its bounds, such as after a clock step, is clamped.
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
from bridge.history.records import StateRow
from bridge.purifier.cartridge import Load
from bridge.station.inventory import Inventory
from bridge.tank.mixing import Balance

VERSION = 1
_ALARMS: dict[str, AlarmId] = {one.value: one for one in (*Trip, *Advisory)}


@dataclass(frozen=True, slots=True)
class Moment:
    """One time on both clocks."""

    monotonic_s: float
    utc_s: float

    def utc_of(self, monotonic_s: float) -> float:
        """Return the UTC of a monotonic time."""
        return self.utc_s + (monotonic_s - self.monotonic_s)

    def ago(self, utc_s: float, longest_s: float) -> float:
        """Return the monotonic time of a past UTC, at most ``longest_s`` ago and never in the future."""
        return self.monotonic_s - min(max(self.utc_s - utc_s, 0.0), longest_s)

    def ahead(self, utc_s: float, longest_s: float) -> float:
        """Return the monotonic time of a future UTC, at most ``longest_s`` ahead and never in the past."""
        return self.monotonic_s + min(max(utc_s - self.utc_s, 0.0), longest_s)


@dataclass(frozen=True, slots=True)
class RunningFill:
    """A fill that has not ended."""

    started_ms: int
    seen_ms: int
    """The newest time at which the fill still ran."""
    volume_l: float | None


Counters = dict[str, Any]
"""The counters by their names in the row."""


def latched_key(reservoir: str) -> str:
    """Return the key of the latched row."""
    return f"latched.{reservoir}"


def accounts_key(reservoir: str) -> str:
    """Return the key of the accounts row."""
    return f"accounts.{reservoir}"


def latched(reservoir: str, state: GuardState, moment: Moment) -> StateRow:
    """Return the latched row."""
    return _written(
        latched_key(reservoir),
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
        },
    )


def accounts(reservoir: str, counters: Counters) -> StateRow:
    """The row of the counters."""
    return _written(accounts_key(reservoir), counters)


def counters(
    state: GuardState,
    inventory: Inventory,
    moment: Moment,
    pulses: int | None = None,
    fill: RunningFill | None = None,
    controller: str | None = None,
) -> Counters:
    """Return the counters for the accounts row.

    Args:
        state: The guard's state, for the day's volume.
        inventory: The accounts of the reservoir and the purifier.
        moment: The present time.
        pulses: The newest count of the controller's flow pulses.
        fill: The running fill.
        controller: The id of the controller.
    """
    balance, load = inventory.balance, inventory.load
    running_l = state.fill.volume_l if state.phase in ACTIVE else 0.0
    return {
        # Whole seconds keep unchanged counters equal.
        "day": [round(moment.utc_of(state.day_from)), state.day_l + running_l],
        "assumed_ppm": inventory.assumed_ppm,
        "balance": None if balance is None else [balance.volume_l, balance.solids_mg],
        "load": [load.treated_l, load.taken_up_g],
        "pulses": pulses,
        "controller": controller,
        "fill": None if fill is None else [fill.started_ms, fill.seen_ms, fill.volume_l],
    }


def guard_state(
    kept_latched: StateRow | None, kept_accounts: StateRow | None, limits: Limits, moment: Moment
) -> GuardState:
    """Return the guard's state at the start, from the rows that an earlier process saved.

    Raises:
        LogError: A saved row cannot be read, so the latched trips are unknown.
    """
    data, counters = _read(kept_latched), _read(kept_accounts)
    day = counters.get("day")
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
            catching_up=counters.get("pulses") is not None,
        )
    except (ValueError, KeyError, TypeError) as error:
        raise _unreadable(error) from error


def inventory(kept: StateRow | None, assumed_ppm: float) -> Inventory:
    """Return the accounts at the start. Without a saved row, the reservoir has ``assumed_ppm``.

    Raises:
        LogError: The saved row cannot be read.
    """
    data = _read(kept)
    try:
        balance, load = data.get("balance"), data.get("load")
        return Inventory(
            float(data.get("assumed_ppm", assumed_ppm)),
            None if balance is None else Balance(float(balance[0]), float(balance[1])),
            Load() if load is None else Load(float(load[0]), float(load[1])),
            pulses=None if data.get("pulses") is None else int(data["pulses"]),
            controller=None if data.get("controller") is None else str(data["controller"]),
        )
    except (ValueError, KeyError, TypeError, IndexError) as error:
        raise _unreadable(error) from error


def running_fill(kept: StateRow | None) -> RunningFill | None:
    """Return the fill that ran when the counters were stored, or None.

    Raises:
        LogError: The saved row cannot be read.
    """
    found = _read(kept).get("fill")
    try:
        if found is None:
            return None
        volume_l = None if found[2] is None else float(found[2])
        return RunningFill(int(found[0]), int(found[1]), volume_l)
    except (ValueError, TypeError, IndexError) as error:
        raise _unreadable(error) from error


def without_fill(kept: StateRow) -> StateRow:
    """Return the same counters without a running fill."""
    return _written(kept.key, {**_read(kept), "fill": None})


def _written(key: str, data: dict[str, Any]) -> StateRow:
    return StateRow(key, VERSION, json.dumps(data, separators=(",", ":")))


def _read(kept: StateRow | None) -> dict[str, Any]:
    if kept is None:
        return {}
    try:
        if kept.version != VERSION:
            raise ValueError(f"version {kept.version}")
        data = json.loads(kept.text)
        if not isinstance(data, dict):
            raise TypeError("it is not an object")
    except (ValueError, TypeError) as error:
        raise _unreadable(error) from error
    return data


def _unreadable(error: BaseException) -> LogError:
    return LogError(f"The state that an earlier run saved in the log cannot be read ({error}).")
