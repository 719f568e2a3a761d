"""The watering round: what each tray gets today, what is due, and what to leave out if the water is short."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from enum import IntEnum

from bridge.errors import InputError
from bridge.tank.shapes import positive
from bridge.trays.course import Course
from bridge.trays.outlook import (
    Days,
    Fed,
    FlushPlan,
    days_until_dry,
    days_until_limit,
    flush_for,
    leaching_share,
    upper_ppm,
    water_with_leaching,
)
from bridge.trays.tray import after_giving

FLUSH_AHEAD_DAYS = 3.0
"""A flush is due when the early end of the 80 % interval of the days until the limit is nearer than this, or
when filling alone does not keep the tray under its limit until the next round."""
SAMPLE_EVERY_DAYS = 28
SAMPLE_LOG_SD = 0.2
"""A sample is also due when the concentration is known less well than this, as a relative standard
uncertainty."""
SPARE_DAYS = 2.0
"""A tray that may run dry within this time after the next round gets its water today: people miss a day."""
LEAST_GIVEN_SHARE = 0.1
"""Less than this share of the kept water is not worth a walk."""
AWAY_SHARE_OF_RIM = 0.9
"""Before an absence a tray is filled to this share of its rim."""
MOST_LEACHING = 0.5
"""A drained tray that would need more than this share as run-off is flushed instead."""
LEACHED_SHARE_OF_LIMIT = 0.8


@dataclass(frozen=True, slots=True)
class RoundSettings:
    """How the round is walked.

    Raises:
        OutOfRangeError: If a value is not above zero.
    """

    can_l: float = 10.0
    every_days: float = 1.0
    """The days until the next round."""
    flush_weeks: float = 4.0
    """The weeks that a flush shall last."""
    away_days: int = 0
    """The days of an absence that begins after this round; 0 for none."""

    def __post_init__(self) -> None:
        positive("Round", "the can", self.can_l, "L")
        positive("Round", "the days between rounds", self.every_days, "days")
        positive("Round", "the weeks of a flush", self.flush_weeks, "weeks")


@dataclass(frozen=True, slots=True)
class Source:
    """A reservoir or a shelf that trays are fed from."""

    ident: str
    fed: Fed
    available_l: float | None = None
    """The litres that may be taken now; None if they are not known."""


class Urgency(IntEnum):
    """The order in which acts are kept if the water is short."""

    DRIES = 0
    OVER_LIMIT = 1
    TOPS_UP = 2
    FLUSH = 3


@dataclass(frozen=True, slots=True)
class Item:
    """One tray of the round."""

    ident: str
    name: str
    source: str
    give_l: float
    """The litres to pour in; 0 if none are needed."""
    cans: float
    flush: FlushPlan | None
    """The flush that is due; None if none is."""
    flush_l: float
    """Its litres: to exchange in an undrained tray, to pour through in a drained one."""
    exchange: bool
    """True: tip the litres of the flush out and replace them. False: pour them through."""
    sample_due: bool
    depth_mm: float
    mark_mm: float
    ppm: float
    expanded_ppm: float
    dry: Days
    limit: Days
    leaching: float | None
    """The share of the water given that must run off to make a flush needless; None if no share suffices."""
    left_out: tuple[str, ...] = ()
    """What is left out because the water is short: ``give``, ``flush``."""
    notes: tuple[str, ...] = ()
    is_urgent: bool = False
    """Whether its water cannot wait: it may run dry, or pass its limit as it evaporates."""

    @property
    def water_l(self) -> float:
        """The litres that the item takes from its source."""
        return self.give_l + self.flush_l

    def flush_in_words(self, litres: str) -> str:
        """Say how the tray is flushed, with these litres as text."""
        return f"tip out {litres} and replace it" if self.exchange else f"pour {litres} through"


@dataclass(frozen=True, slots=True)
class Need:
    """What the round takes from a source, and whether it has that."""

    source: str
    needed_l: float
    available_l: float | None

    @property
    def covered(self) -> bool | None:
        """Whether the source covers the round; None if its litres are not known."""
        return None if self.available_l is None else self.needed_l <= self.available_l


@dataclass(frozen=True, slots=True)
class Round:
    """The round of a day, in the order of the benches."""

    day: date
    items: tuple[Item, ...]
    needs: tuple[Need, ...]
    """The need of each source before anything was left out."""
    can_l: float
    notes: tuple[str, ...] = field(default=())


def plan_round(
    courses: Sequence[Course],
    sources: Mapping[str, Source],
    settings: RoundSettings,
) -> Round:
    """Plan the round of the day of the courses.

    Args:
        courses: The trays today, in the order of the benches.
        sources: The waters by their ids; each tray's ``fed_from`` is one of them.
        settings: How the round is walked.
    """
    if not courses:
        raise InputError("Round: there are no trays; add a table [tray.<id>] for each.")
    items = [_item(course, sources, settings) for course in courses]
    if not settings.away_days and not any(_needs_a_walk(item) for item in items):
        # An act that is not urgent waits for the next round.
        items = [replace(item, give_l=0.0, cans=0.0) for item in items]
    needs, notes = [], []
    for ident in dict.fromkeys(item.source for item in items):
        source = sources[ident]
        own = [item for item in items if item.source == ident]
        need = Need(ident, sum(item.water_l for item in own), source.available_l)
        needs.append(need)
        if need.covered is False:
            items = _shortened(items, ident, source.available_l or 0.0)
            notes.append(
                f"{ident} has {source.available_l:.3g} L and the round needs {need.needed_l:.3g} L; the "
                "items marked as left out can wait longest"
            )
    return Round(courses[0].day, tuple(items), tuple(needs), settings.can_l, tuple(notes))


def _needs_a_walk(item: Item) -> bool:
    return item.is_urgent or item.flush_l > 0.0 or item.sample_due


def _item(course: Course, sources: Mapping[str, Source], settings: RoundSettings) -> Item:
    plan, tray, month = course.plan, course.tray, course.day.month
    fed = sources[plan.fed_from].fed
    to_come = course.to_come()
    dry = days_until_dry(tray, plan, to_come)
    limit = days_until_limit(tray, plan, to_come, fed, month)
    mark_mm = plan.mark_mm(month)
    wanted_mm = mark_mm
    notes = []
    if settings.away_days:
        wanted_mm = max(mark_mm, AWAY_SHARE_OF_RIM * plan.rim_mm)
        if plan.drained:
            notes.append("close its drain before the absence, and open it after it")
            plan = replace(plan, drained=False)
    room_l = max(plan.at_depth(wanted_mm) - tray.volume_l, 0.0)
    # A tray in the dormant months is barely moist: it may fall to nothing between two rounds.
    least_l = max(LEAST_GIVEN_SHARE * plan.area_m2 * wanted_mm, 0.05)
    if room_l < least_l and dry.low80 > settings.every_days + 1.0:
        room_l = 0.0
    share = leaching_share(plan, fed, LEACHED_SHARE_OF_LIMIT)
    flush = None
    flush_l = 0.0
    before_days = max(settings.every_days + SPARE_DAYS, settings.away_days)
    full = after_giving(tray, plan, room_l, fed.ppm, fed.ppm_sd)
    # Filling alone does not keep it under its limit, even if only one round is missed.
    missed_days = max(settings.every_days + 1.0, settings.away_days)
    over = upper_ppm(full, plan, to_come, missed_days) >= plan.limit_ppm
    if over or limit.low80 <= FLUSH_AHEAD_DAYS:
        flush, note = _flush(course, fed, settings)
        notes += note
        if flush is not None:
            flush_l = flush.flush.through_l if course.plan.drained else flush.flush.exchange_l
        if flush_l > 0.0 and course.plan.drained and not settings.away_days:
            # The water of a flush also fills the tray.
            room_l = 0.0
    if room_l > 0.0 and plan.drained and share is not None and share <= MOST_LEACHING:
        room_l = water_with_leaching(room_l, share)
    if settings.away_days:
        after = days_until_dry(full, plan, to_come)
        if after.low80 < settings.away_days:
            notes.append(
                f"may run dry after {after.low80:.0f} of {settings.away_days} days away; ask somebody to "
                "fill it, shade it, or set it into a deeper tray"
            )
    dries = dry.low80 <= before_days or upper_ppm(tray, plan, to_come, before_days) >= plan.limit_ppm
    days_since = math.inf if tray.sampled_day is None else course.day.toordinal() - tray.sampled_day
    uncertain = tray.log_ppm_sd > SAMPLE_LOG_SD and days_since >= SAMPLE_EVERY_DAYS / 4
    return Item(
        plan.ident,
        plan.name,
        plan.fed_from,
        _to_tenth(room_l),
        room_l / settings.can_l,
        flush if flush_l > 0.0 else None,
        _to_tenth(flush_l),
        not course.plan.drained,
        uncertain or days_since >= SAMPLE_EVERY_DAYS,
        tray.depth_mm(plan),
        mark_mm,
        tray.ppm,
        tray.expanded_ppm,
        dry,
        limit,
        share,
        (),
        tuple(notes),
        room_l > 0.0 and dries,
    )


def _flush(course: Course, fed: Fed, settings: RoundSettings) -> tuple[FlushPlan | None, list[str]]:
    plan = course.plan
    try:
        wanted = flush_for(
            course.tray, plan, {plan.fed_from: fed}, course.to_come(), course.day.month, settings.flush_weeks
        )
    except InputError as error:
        return None, [str(error)]
    if 0.0 < wanted.weeks < 1.0:
        return wanted, [
            f"a flush with {fed.ppm:.3g} ppm lasts only {7.0 * wanted.weeks:.0f} days; purer water or a "
            "deeper tray lasts longer"
        ]
    return wanted, []


def _to_tenth(litres: float) -> float:
    return round(litres, 1) if litres >= 0.05 else 0.0


def _shortened(items: Sequence[Item], source: str, available_l: float) -> list[Item]:
    """Leave out what can wait longest, until the source covers the rest."""
    acts = []
    for place, item in enumerate(items):
        if item.source != source:
            continue
        if item.give_l > 0.0:
            dries = item.dry.low80 <= 2.0
            urgency = Urgency.DRIES if dries else Urgency.TOPS_UP
            acts.append((urgency, item.dry.median, place, "give", item.give_l))
        if item.flush_l > 0.0:
            over = item.limit.median <= 0.0
            urgency = Urgency.OVER_LIMIT if over else Urgency.FLUSH
            acts.append((urgency, item.limit.median, place, "flush", item.flush_l))
    left_l = available_l
    made = list(items)
    for _, _, place, act, litres in sorted(acts):
        if litres <= left_l:
            left_l -= litres
            continue
        item = made[place]
        nothing = {"give_l": 0.0, "cans": 0.0} if act == "give" else {"flush_l": 0.0}
        made[place] = replace(item, left_out=(*item.left_out, act), **nothing)  # type: ignore[arg-type]
    return made


@dataclass(frozen=True, slots=True)
class Unexplained:
    """The litres that left a reservoir against the litres that were given."""

    left_l: float
    given_l: float
    missing_l: float
    """Left less given."""
    band_l: float
    """What the two measurements can differ by, k = 2."""

    @property
    def is_missing(self) -> bool:
        """Whether more left the reservoir than was given: spillage or a leak."""
        return self.missing_l > self.band_l


def unexplained(left_l: float, given: Sequence[float], level_sd_l: float) -> Unexplained:
    """Compare the litres that left a reservoir with those that people gave.

    Args:
        left_l: The litres that left the reservoir by its level and its fills.
        given: The litres of each entry.
        level_sd_l: The standard uncertainty of one reading of the volume.
    """
    given_l = sum(given)
    # Entries are rounded and read off a can: 3 % each, and two readings of the level.
    variance = 2.0 * level_sd_l**2 + sum((0.03 * litres) ** 2 for litres in given) + (0.03 * given_l) ** 2
    return Unexplained(left_l, given_l, left_l - given_l, max(2.0 * math.sqrt(variance), 0.5))


def as_values(found: Round) -> dict[str, object]:
    """Return the round as JSON values, for ``--json`` and for the page."""
    return {
        "date": found.day.isoformat(),
        "can_l": found.can_l,
        "trays": [_item_values(item) for item in found.items],
        "needs": [
            {
                "source": need.source,
                "needed_l": round(need.needed_l, 1),
                "available_l": None if need.available_l is None else round(need.available_l, 1),
                "covered": need.covered,
            }
            for need in found.needs
        ],
        "notes": list(found.notes),
    }


def _item_values(item: Item) -> dict[str, object]:
    flush = None
    if item.flush is not None:
        flush = {
            "litres": item.flush_l,
            "how": "exchange" if item.exchange else "through",
            "water": item.flush.water,
            "ppm_after": round(item.flush.flush.ppm_after, 1),
            "weeks": _finite(item.flush.weeks),
        }
    return {
        "id": item.ident,
        "name": item.name,
        "source": item.source,
        "give_l": item.give_l,
        "cans": round(item.cans, 2),
        "flush": flush,
        "sample_due": item.sample_due,
        "depth_mm": round(item.depth_mm, 1),
        "mark_mm": item.mark_mm,
        "ppm": round(item.ppm, 1),
        "expanded_ppm": round(item.expanded_ppm, 1),
        "days_until_dry": _days(item.dry),
        "days_until_limit": _days(item.limit),
        "leaching_share": None if item.leaching is None else round(item.leaching, 3),
        "left_out": list(item.left_out),
        "notes": list(item.notes),
    }


def _days(days: Days) -> dict[str, float | None]:
    return {"median": _finite(days.median), "low80": _finite(days.low80), "high80": _finite(days.high80)}


def _finite(value: float) -> float | None:
    return round(value, 1) if math.isfinite(value) else None
