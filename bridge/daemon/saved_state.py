"""Converts the state of a station that survives a restart to JSON and back. Core.

Each reservoir has two rows. The *latched* row must never be lost: trips, alarms, shelving, hold. The
*accounts* row has the counters: contents of the reservoir, load of the purifier, the day's volume, the
running fill, the last count of pulses, the id of the controller. Times are stored as UTC and restored as
monotonic seconds. An age outside its bounds, such as after a clock step, is clamped.
"""

import json
from dataclasses import dataclass, replace
from typing import Any

from bridge.errors import InputError, LogError
from bridge.estimate import saved as estimates
from bridge.estimate import watch
from bridge.estimate.reservoir import Basis
from bridge.estimate.verdict import Judgement, decide
from bridge.guard.alarms import AlarmRecord, Status
from bridge.guard.limits import Limits
from bridge.guard.model import Advisory, AlarmId, Trip
from bridge.guard.rules import ACTIVE
from bridge.guard.sequence import DAY_S
from bridge.guard.state import GuardState, Latch, begin
from bridge.history.records import StateRow
from bridge.purifier.cartridge import Load
from bridge.station.cells import CellPair
from bridge.station.check_cell import Ratio
from bridge.station.inventory import Inventory, assuming, recalibrated, taken_in
from bridge.station.plan import ProbePlan

VERSION = 1
_YEARS_S = 100 * 366 * DAY_S
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


@dataclass(frozen=True, slots=True)
class StoredWater:
    """The judgement on the water of a reservoir, with its evidence."""

    judgement: Judgement
    basis: Basis
    sampled_s: float | None
    """The time of the last sample, UTC in seconds."""


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
    cell: ProbePlan,
    moment: Moment,
    pulses: int | None = None,
    fill: RunningFill | None = None,
    controller: str | None = None,
) -> Counters:
    """Return the counters for the accounts row.

    Args:
        state: The guard's state, for the day's volume.
        inventory: The accounts of the reservoir and the purifier.
        cell: The product cell, to see at the next start whether it was calibrated or changed.
        moment: The present time.
        pulses: The newest count of the controller's flow pulses.
        fill: The running fill.
        controller: The id of the controller.
    """
    load = inventory.load
    inventory = taken_in(inventory)
    water, aged_at, pair = inventory.water, inventory.aged_at, inventory.exchanged
    running_l = state.fill.volume_l if state.phase in ACTIVE else 0.0
    return {
        # Whole seconds keep unchanged counters equal.
        "day": [round(moment.utc_of(state.day_from)), state.day_l + running_l],
        "water": {
            **estimates.to_json(water),
            "sampled_s": None if water.sampled_s is None else round(moment.utc_of(water.sampled_s)),
        },
        "located": inventory.located,
        "band_ppm": inventory.band_ppm,
        "aged": None if aged_at is None else round(moment.utc_of(aged_at)),
        "watch": watch.to_json(inventory.watch),
        "proved": None if inventory.proved_at is None else round(moment.utc_of(inventory.proved_at)),
        "cell": _cell(cell),
        "ratio": [*inventory.ratio.constants_per_cm, inventory.ratio.usual],
        "exchanged": None if pair is None else [pair.product_us_cm, pair.feed_us_cm],
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
                Latch(Trip(trip), moment.ago(at, _YEARS_S), bool(remedied))
                for trip, at, remedied in data.get("latches", ())
            ),
            first_out=None if data.get("first_out") is None else Trip(data["first_out"]),
            hold=bool(data.get("hold", False)),
            alarms=tuple(
                AlarmRecord(
                    _ALARMS[alarm],
                    Status(status),
                    moment.ago(since, _YEARS_S),
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


def inventory(kept: StateRow | None, fresh: Inventory, cell: ProbePlan, moment: Moment) -> Inventory:
    """Return the accounts at the start.

    Args:
        kept: The saved row; None at the first start.
        fresh: The accounts of a first start.
        cell: The product cell. If it was calibrated or changed, its old error is no evidence any more.
        moment: The present time.

    Raises:
        LogError: The saved row cannot be read.
    """
    data = _read(kept)
    try:
        load = data.get("load")
        accounts = replace(
            _water(data, fresh, moment),
            load=Load() if load is None else Load(float(load[0]), float(load[1])),
            pulses=None if data.get("pulses") is None else int(data["pulses"]),
            controller=None if data.get("controller") is None else str(data["controller"]),
            ratio=_ratio(data.get("ratio")),
            exchanged=_pair(data.get("exchanged"), moment.monotonic_s),
        )
    except (ValueError, KeyError, TypeError, IndexError, InputError) as error:
        raise _unreadable(error) from error
    if "cell" in data and data["cell"] != _cell(cell):
        return recalibrated(accounts, cell.chain.uncertainties.cell_constant_percent)
    return accounts


def _water(data: dict[str, Any], fresh: Inventory, moment: Moment) -> Inventory:
    """Return the accounts with the saved estimate, or with the mixing balance of an earlier version."""
    if "water" not in data:
        balance, assumed_ppm = data.get("balance"), data.get("assumed_ppm", fresh.water.ppm)
        if balance is None:
            return assuming(fresh, float(assumed_ppm))
        volume_l, solids_mg = float(balance[0]), float(balance[1])
        return assuming(fresh, solids_mg / volume_l if volume_l > 0.0 else float(assumed_ppm), volume_l)
    water = estimates.from_json(data["water"])
    if water.sampled_s is not None:
        water = replace(water, sampled_s=moment.ago(water.sampled_s, _YEARS_S))
    aged, proved = data["aged"], data.get("proved")
    return replace(
        fresh,
        water=water,
        located=bool(data["located"]),
        band_ppm=float(data["band_ppm"]),
        aged_at=None if aged is None else moment.ago(float(aged), _YEARS_S),
        watch=watch.from_json(data["watch"]),
        proved_at=None if proved is None else moment.ago(float(proved), _YEARS_S),
    )


def judged_water(kept: StateRow | None, limit_ppm: float, target_ppm: float) -> StoredWater | None:
    """Return the reservoir's water as it was when the counters were stored. None without an estimate.

    Raises:
        LogError: The saved row cannot be read.
    """
    data = _read(kept)
    if "water" not in data:
        return None
    try:
        water = estimates.from_json(data["water"])
        band_ppm = max(water.expanded_ppm, float(data["band_ppm"]))
    except (ValueError, KeyError, TypeError, InputError) as error:
        raise _unreadable(error) from error
    return StoredWater(decide(water.ppm, band_ppm, limit_ppm, target_ppm), water.basis, water.sampled_s)


def _ratio(data: list[Any] | None) -> Ratio:
    """Return the usual ratio of two cells; it is learned again if it is not known."""
    if data is None or data[2] is None:
        return Ratio()
    return Ratio((float(data[0]), float(data[1])), float(data[2]))


def _pair(data: list[Any] | None, at: float) -> CellPair | None:
    """Return the values before the plugs were exchanged. None if they were not."""
    return None if data is None else CellPair(float(data[0]), float(data[1]), at)


def _cell(cell: ProbePlan) -> list[object]:
    made = None if cell.calibration is None else cell.calibration.made.isoformat()
    return [cell.chain.cell.constant_per_cm, made]


def pulses(kept: StateRow | None) -> int | None:
    """Return the count of flow pulses when the counters were stored, or None.

    Raises:
        LogError: The saved row cannot be read.
    """
    found = _read(kept).get("pulses")
    try:
        return None if found is None else int(found)
    except (ValueError, TypeError) as error:
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
