"""Rain blended by hand into a purified reservoir: the litres before, and the entry after. Shell."""

from dataclasses import dataclass
from datetime import date
from pathlib import Path

from bridge.config.plan import BridgePlan
from bridge.errors import InputError
from bridge.forecast.by_hand import ShelfPlan
from bridge.history.records import Litres, LitresRow
from bridge.history.writer import add
from bridge.trays.outlook import Fed
from bridge.trays.seasons import Blending, RainStore, rain_into_purified
from bridge.watering.gather import source_of


@dataclass(frozen=True, slots=True)
class Blend:
    """The blend of a day.

    Attributes:
        rain: The rain tank's estimate.
        held: The water of the reservoir.
        held_l: Its litres.
        target_ppm: The target that the blend keeps with its uncertainty.
        made: The litres to blend, and what they save.
        is_feed_known: Whether the purifier's feed is configured, so that the grams saved are known.
    """

    rain: RainStore
    held: Fed
    held_l: float
    target_ppm: float
    made: Blending
    is_feed_known: bool
    is_rise_expected: bool
    """Whether the reservoir has ``rain_ppm``; without it the guard takes the rise for a valve that leaks."""


def blend(plan: BridgePlan, path: Path, rain: str, into: str, today: date) -> Blend:
    """Return the most rain that may be poured into a reservoir.

    Args:
        plan: The plan of the configuration.
        path: The log.
        rain: The id of a shelf that a roof fills.
        into: The id of a reservoir with a controller.
        today: The day.

    Raises:
        InputError: There is no such water, or the litres of one are not known.
        LogError: The log cannot be read.
    """
    kept = plan.kept_by_hand.get(rain)
    if not isinstance(kept, ShelfPlan) or kept.roof is None:
        raise InputError(f"{rain}: no roof fills it; give the id of a [shelf.<id>] with roof_m2 and tank_l")
    station = next((one for one in plan.stations if one.identity.reservoir == into), None)
    if station is None:
        there = ", ".join(one.identity.reservoir for one in plan.stations) or "none"
        raise InputError(f"{into}: there is no such reservoir with a controller; there are {there}")
    source, store = source_of(plan, path, into, today), source_of(plan, path, rain, today)
    if source.available_l is None or store.available_l is None:
        missing = into if source.available_l is None else rain
        raise InputError(f"{missing}: its litres are not known yet; the daemon or a count has to record them")
    # Both are put on the scale of the reservoir.
    scale = station.identity.factor / kept.factor
    tank = RainStore(store.available_l, store.fed.ppm * scale, store.fed.ppm_sd * scale)
    target_ppm = station.limits.target_ppm
    room_l = max(station.identity.capacity_l * station.level.fill_fraction - source.available_l, 0.0)
    made = rain_into_purified(
        source.available_l, source.fed, room_l, tank, target_ppm, station.feed_ppm or 0.0
    )
    return Blend(
        tank,
        source.fed,
        source.available_l,
        target_ppm,
        made,
        station.feed_ppm is not None,
        station.rain_ppm is not None,
    )


def enter_blend(path: Path, rain: str, into: str, litres: float) -> None:
    """Write into the log that rain was poured into a reservoir.

    The level of the reservoir rises without a fill, which its estimate takes as rain by itself.

    Raises:
        LogError: The log cannot be written.
    """
    add(path, lambda stamp: LitresRow(stamp, rain, Litres.TAKEN, litres, f"blended into {into}"))
