"""Converts the state of a forecast to JSON and back: a few kilobytes, however old the cartridge is. Core.

The prior of a front is not saved, because it is computed from the configuration and the cartridge history,
which may have changed. Evidence that was saved under another limit is not used, but its load is.
"""

import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, astuple, fields, replace
from typing import Any

from bridge.errors import ClearwellError, LogError
from bridge.forecast.learned import Kept, Learned, prior
from bridge.history.records import StateRow
from bridge.purifier import breakthrough, grid
from bridge.purifier.breakthrough import Front
from bridge.purifier.cartridge import Evidence, Kind, Load
from bridge.purifier.grid import Reading
from bridge.purifier.membrane import Membrane, from_passage
from bridge.purifier.season import Season, begin_season
from bridge.station.plan import CartridgePlan
from bridge.tank.daily_use import DailyUse
from bridge.tank.tracks import Track
from bridge.tank.use import DrawOff, RunningMean

VERSION = 4
_WITHOUT_WANDER = 2
"""The version before seasons could wander: levels are kept, and the rest is learned again."""
_WITHOUT_RATES = 3
"""The version before a membrane had a grid of rates: its passage is kept, and the rest is learned again."""
_DECIMALS = 2
"""Decimals of the evidence. A hundredth of a log likelihood has no effect."""
_PLAIN = (
    "booked_l", "total_l", "feed_sum", "feed_looks", "feed_seen_ppm", "since_day", "since_l", "warmest_c",
    "days", "due", "order",
)  # fmt: skip


def key(reservoir: str) -> str:
    """Return the key of the saved forecast of a reservoir."""
    return f"forecast.{reservoir}"


def written(reservoir: str, kept: Kept) -> StateRow:
    """Convert a forecast to one row of saved state."""
    learned, fitted = kept.learned, kept.fitted
    data: dict[str, Any] = {
        "fitted": None if fitted is None else {**asdict(fitted), "kind": fitted.kind.value},
        "limit_ppm": kept.limit_ppm,
        "feed_ppm": kept.feed_ppm,
        "volume_l": kept.volume_l,
        "load": [kept.load.treated_l, kept.load.taken_up_g],
        "front": None if learned.front is None else _front(learned.front),
        "membrane": None if learned.membrane is None else asdict(learned.membrane),
        "feed": None if learned.feed is None else asdict(learned.feed),
        "use": None if learned.use is None else asdict(learned.use),
        "draw": {
            **asdict(learned.draw),
            "lowest_l": _finite(learned.draw.lowest_l),
            "quiet": [[key, _short(taken)] for key, taken in learned.draw.quiet],
            "daily": _daily(learned.draw.daily),
        },
        **{name: getattr(learned, name) for name in _PLAIN},
    }
    return StateRow(key(reservoir), VERSION, json.dumps(data, separators=(",", ":")))


def read(
    kept: StateRow,
    earlier: tuple[Evidence, ...],
    fitted: CartridgePlan | None = None,
    limit_ppm: float | None = None,
) -> Kept:
    """Convert saved state to a forecast.

    Args:
        kept: the saved state.
        earlier: the earlier cartridges.
        fitted: the cartridge of the configuration.
        limit_ppm: the limit of the configuration; None for the cartridge and the limit of the saved state.

    Raises:
        LogError: the saved state cannot be read.
    """  # fmt: skip
    try:
        if kept.version not in (VERSION, _WITHOUT_RATES, _WITHOUT_WANDER):
            raise ValueError(f"version {kept.version}")
        data = json.loads(kept.text)
        if kept.version == _WITHOUT_WANDER:
            data["feed_seen_ppm"] = None
        was = data["fitted"]
        there = None if was is None else CartridgePlan(**{**was, "kind": Kind(was["kind"])})
        own = limit_ppm is None
        limit = float(data["limit_ppm"]) if limit_ppm is None else limit_ppm
        fitted = there if own else fitted
        learned = Learned(
            front=None if data["front"] is None else _front_from(data["front"], fitted, earlier, limit),
            membrane=_membrane_from(data["membrane"]),
            feed=_season_from(data["feed"]),
            use=_season_from(data["use"]),
            draw=_draw_from(data["draw"]),
            **{name: data[name] for name in _PLAIN},
        )
        if fitted is None or there is None or fitted.kind is not there.kind:
            learned = replace(learned, front=None, membrane=None)
        return Kept(learned, fitted, limit, data["feed_ppm"], data["volume_l"], Load(*data["load"]))
    except (ValueError, KeyError, TypeError, IndexError, ClearwellError) as error:
        raise LogError(f"The forecast that an earlier run saved cannot be read ({error}).") from error


def _front(front: Front) -> dict[str, Any]:
    return {
        "limit_ppm": front.grid.limit_ppm,
        "ln": [front.grid.ln_low, front.grid.ln_step],
        "evidence": [round(value, _DECIMALS) for value in front.grid.evidence],
        "last": None if front.grid.last is None else list(astuple(front.grid.last)),
        "load": [front.load.treated_l, front.load.taken_up_g],
        "floor_ppm": _finite(front.floor_ppm),
        "crossed": None if front.crossed is None else [front.crossed.treated_l, front.crossed.taken_up_g],
        **{name: getattr(front, name) for name in ("applied_g", "feed_ppm", "unused_g", "last_product_ppm")},
    }


def _front_from(
    data: Mapping[str, Any], fitted: CartridgePlan | None, earlier: tuple[Evidence, ...], limit_ppm: float
) -> Front | None:
    if fitted is None or fitted.rated_g is None:
        return None
    known = prior(fitted, earlier)
    load = Load(*data["load"])
    if data["limit_ppm"] != limit_ppm:
        return replace(breakthrough.begin(known, limit_ppm), load=load, applied_g=data["applied_g"])
    return Front(
        grid.restored(
            known,
            limit_ppm,
            data["ln"][0],
            data["ln"][1],
            tuple(data["evidence"]),
            None if data.get("last") is None else Reading(*data["last"]),
        ),
        load,
        data["applied_g"],
        data["feed_ppm"],
        math.inf if data["floor_ppm"] is None else data["floor_ppm"],
        data["unused_g"],
        data["last_product_ppm"],
        None if data["crossed"] is None else Load(*data["crossed"]),
    )


def _membrane_from(data: Mapping[str, Any] | None) -> Membrane | None:
    if data is None:
        return None
    values = _tuples(data)
    if "weights" in values:
        return Membrane(**values)
    if "bank" in values:
        passage = values["bank"][0][0]
    else:
        level, ageing, _ = values["means"]
        passage = level + ageing * values["treated_l"] / 1000.0
    return replace(from_passage(passage), treated_l=values["treated_l"], samples=values["samples"])


def _season_from(data: Mapping[str, Any] | None) -> Season | None:
    if data is None:
        return None
    if "covariances" not in data:
        return begin_season(data["scale"] * max(data["means"][0], 0.05), data["last_day"])
    values = _tuples(data)
    for name in ("means", "covariances"):
        values[name] = tuple(tuple(one) for one in values[name])
    return Season(**values)


def _draw_from(data: Mapping[str, Any]) -> DrawOff:
    later = ("daily", "quiet", "earlier")
    values = {field.name: data[field.name] for field in fields(DrawOff) if field.name not in later}
    values["hours"] = tuple(RunningMean(**one) for one in values["hours"])
    # An earlier version saved no days: the use of a day is learned anew, beginning at its mean.
    values["daily"] = _daily_from(data["daily"]) if "daily" in data else DailyUse()
    values["day"] = RunningMean(**values["day"])
    # An earlier version saved the hours of the nights alone.
    values["quiet"] = tuple(
        (int(key), float(taken)) for key, taken in data.get("quiet", data.get("night", ()))
    )
    if "earlier" in data:
        values["earlier"] = tuple(RunningMean(**one) for one in data["earlier"])
    values["lowest_l"] = math.inf if values["lowest_l"] is None else values["lowest_l"]
    return DrawOff(**values)


def _daily(daily: DailyUse) -> dict[str, Any]:
    data = asdict(daily)
    # Six digits of a track are far finer than its errors, and keep the row small.
    data["tracks"] = [_track(one) for one in daily.tracks]
    data["any_use"] = None if daily.any_use is None else _track(daily.any_use)
    return data


def _track(one: Track) -> list[Any]:
    return [
        *(_short(value) for value in (one.log_weight, one.freedom, one.noise)),
        [_short(value) for value in one.mean],
        [_short(value) for value in one.spread],
    ]


def _track_from(data: Sequence[Any]) -> Track:
    weight, freedom, noise, mean, spread = data
    return Track(weight, freedom, noise, tuple(mean), tuple(spread))


def _daily_from(data: Mapping[str, Any]) -> DailyUse:
    tracks = tuple(_track_from(one) for one in data["tracks"])
    # An earlier version did not save whether there is any use.
    any_use = None if data.get("any_use") is None else _track_from(data["any_use"])
    first = tuple((int(day), float(z)) for day, z in data["first"])
    rhythm = tuple((float(a), float(b), float(c)) for a, b, c in data["rhythm"])
    return DailyUse(**{**data, "tracks": tracks, "any_use": any_use, "first": first, "rhythm": rhythm})


def _short(value: float) -> float:
    return float(f"{value:.6g}")


def _tuples(data: Mapping[str, Any]) -> dict[str, Any]:
    return {name: tuple(value) if isinstance(value, list) else value for name, value in data.items()}


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None
