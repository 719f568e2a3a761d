"""The rounds of the days to come: what is due on each, if every round is done and no rain falls.

The days to come have the usual weather. A sample that is due counts as taken, with the result that the
estimate expects, because otherwise one missing sample would make every later round due.
"""

import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace

from bridge.trays import course as courses
from bridge.trays.course import Act, Course, Entry
from bridge.trays.round import FLUSH_AHEAD_DAYS, Item, Round, RoundSettings, Source, plan_round

DAYS_AHEAD = 7
"""Later rounds follow from weather that nobody knows yet."""
_METER_SHARE = 0.06
"""The expanded uncertainty of the sample that counts as taken, as a share of it, besides 1 ppm (common
practice, no source)."""


@dataclass(frozen=True, slots=True)
class RoundDay:
    """What is due on one day."""

    day: str
    """The date, such as 2026-07-01."""
    litres: float
    """The litres to give, with those of the flushes."""
    trays: tuple[str, ...]
    """The names of the trays that need water, a flush or a sample."""
    flushes: tuple[str, ...]
    """The names of those that need a flush."""


@dataclass(frozen=True, slots=True)
class RoundDue:
    """The round of today and of the days to come, of the trays that one reservoir shows.

    Attributes:
        days: The days, today first.
        flush_days: The days until the next flush; None if none is expected within the horizon.
        summary: What today needs, as sentences.
    """

    days: tuple[RoundDay, ...]
    flush_days: int | None
    summary: str


def rounds_ahead(
    following: Sequence[Course],
    sources: Mapping[str, Source],
    settings: RoundSettings,
    days: int = DAYS_AHEAD,
) -> list[Round]:
    """Return the rounds of so many days, the first one that of the courses' day.

    Args:
        following: The trays today, in the order of the benches.
        sources: The waters by their ids. Their litres bound today's round alone, because later ones are
            filled again.
        settings: How the round is walked.
        days: The number of rounds.
    """
    made = [plan_round(following, sources, settings)]
    unbounded = {ident: replace(source, available_l=None) for ident, source in sources.items()}
    usual = replace(settings, away_days=0)
    while len(made) < days:
        items = {item.ident: item for item in made[-1].items}
        following = [
            courses.next_day(_done(one, items[one.plan.ident], sources[one.plan.fed_from]), None)
            for one in following
        ]
        made.append(plan_round(following, unbounded, usual))
    return made


def _done(course: Course, item: Item, source: Source) -> Course:
    """Return the course of a tray after everything on the list was done."""
    if item.sample_due:
        ppm = course.tray.ppm
        sample = Entry(course.day, Act.SAMPLED, ppm=ppm, expanded_ppm=1.0 + _METER_SHARE * ppm)
        course = courses.entered(course, sample, source.fed)
    flushed = Entry(course.day, Act.EXCHANGED if item.exchange else Act.FLUSHED, item.flush_l)
    if item.flush_l > 0.0 and item.exchange:
        course = courses.entered(course, flushed, source.fed)
    if item.give_l > 0.0:
        # Litres that fill a tray to its mark measure what it drew, unless a share of them runs off.
        room_l = course.plan.at_depth(item.mark_mm) - course.tray.volume_l
        act = Act.FILLED if item.give_l <= room_l + 0.1 else Act.GIVEN
        course = courses.entered(course, Entry(course.day, act, item.give_l), source.fed)
    if item.flush_l > 0.0 and not item.exchange:
        course = courses.entered(course, flushed, source.fed)
    return course


def is_due(item: Item) -> bool:
    """Return whether a tray needs anything in its round."""
    return item.water_l > 0.0 or item.sample_due


def due_of(rounds: Sequence[Round], sources: Collection[str]) -> RoundDue:
    """Return what is due for the trays that are fed from some waters.

    Args:
        rounds: The rounds, that of today first.
        sources: The ids of the waters.
    """
    days = []
    for one in rounds:
        items = [item for item in one.items if item.source in sources]
        days.append(
            RoundDay(
                one.day.isoformat(),
                round(sum(item.water_l for item in items), 1),
                tuple(item.name for item in items if is_due(item)),
                tuple(item.name for item in items if item.flush_l > 0.0),
            )
        )
    today = [item for item in rounds[0].items if item.source in sources]
    return RoundDue(tuple(days), _flush_days(days, today), _summary(today))


def _flush_days(days: Sequence[RoundDay], today: Sequence[Item]) -> int | None:
    for number, one in enumerate(days):
        if one.flushes:
            return number
    later = [item.limit.low80 - FLUSH_AHEAD_DAYS for item in today if math.isfinite(item.limit.low80)]
    return max(len(days), int(min(later))) if later else None


def _summary(items: Sequence[Item]) -> str:
    sentences = []
    for item in items:
        parts = []
        if item.flush_l > 0.0:
            parts.append(f"{'exchange' if item.exchange else 'flush with'} {item.flush_l:.1f} L")
        if item.give_l > 0.0:
            parts.append(f"give {item.give_l:.1f} L")
        if item.sample_due:
            parts.append("measure it")
        if item.left_out:
            parts.append("some of its water is left out, because the water is short")
        if parts:
            sentences.append(f"{item.name}: {', '.join(parts)}.")
    return " ".join(sentences) or "No tray needs anything."
