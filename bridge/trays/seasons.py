"""Frost, absences, the checklists of autumn and spring, and the rain that goes into a reservoir.

An absence and a finished checklist are entries of the log: an event with a sentence of a fixed form, so that
people can read it and the round can find it again.
"""

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date
from enum import StrEnum

from bridge.errors import InputError
from bridge.sourcing.rain import Collection
from bridge.tank.shapes import not_negative, positive
from bridge.trays.outlook import Fed

FREEZES_C = 0.0
LINE_AIR_C = 2.0
"""Air this cold may freeze a thin line during the night, because a clear sky cools it below the air (common
practice, no source)."""
WATER_C = 4.0
"""Water this cold freezes within a frosty night (common practice, no source)."""
AWAY = "away"
"""The event of an absence."""
AWAY_CANCELLED = "away-cancelled"
AWAY_REPORT = "away-report"
"""The event of what happened during an absence."""
AWAY_LEAD_DAYS = 2
"""The marks of an absence count from so many days before it, because a purifier may need a day for a fill."""
COVER_DAYS = 2.0
"""Water that lasts less than this is short if no fill can start (common practice, no source)."""
_ABSENCE = re.compile(
    r"(?:Away|The absence) from (\d{4}-\d{2}-\d{2}) to (\d{4}-\d{2}-\d{2})(?:\.| is cancelled\.)"
)


class Frost(StrEnum):
    """The danger of frost."""

    NONE = "none"
    LINE = "line"
    """A line may freeze tonight."""
    WATER = "water"
    """The water in the line or in the cell is about to freeze."""


def frost(lowest_c: float | None, water_c: float | None, ahead_c: float | None = None) -> Frost:
    """Return the danger of frost.

    Args:
        lowest_c: The day's lowest air temperature, measured or forecast; None if it is not known.
        water_c: The temperature of the product; None if it is not known.
        ahead_c: The lowest temperature of the product that is expected, see :func:`lowest_ahead_c`.
    """
    if water_c is not None and water_c <= WATER_C and (lowest_c is None or lowest_c <= LINE_AIR_C):
        return Frost.WATER
    if ahead_c is not None and ahead_c <= FREEZES_C:
        return Frost.WATER
    if (lowest_c is not None and lowest_c <= LINE_AIR_C) or (ahead_c is not None and ahead_c <= LINE_AIR_C):
        return Frost.LINE
    return Frost.NONE


def lowest_ahead_c(hours_c: Mapping[int, float]) -> float | None:
    """Return the lowest temperature of the product in the 24 hours to come, by persistence.

    The last 24 hours repeat, warmer or colder by as much as the product has changed since yesterday at this
    hour. At a sensor in air that turns colder from day to day this is earlier than a bound on the present
    temperature.

    Args:
        hours_c: The mean temperature by the hour, 0 for the newest and 24 for the same hour yesterday.

    Returns:
        The temperature. None without the newest hour, the one of yesterday, and eighteen between them.
    """
    lately = [celsius for hour, celsius in hours_c.items() if 0 <= hour < 24]
    if 0 not in hours_c or 24 not in hours_c or len(lately) < 18:
        return None
    return min(lately) + hours_c[0] - hours_c[24]


FROST_SENTENCES = {
    Frost.LINE: "A line may freeze tonight. Shut the feed, drain the line and the purifier, and leave the "
    "drain open: ice bursts housings and fittings, and the flood comes with the thaw.",
    Frost.WATER: "The water in the line is about to freeze. Shut the feed and drain line, purifier and cell "
    "now; a cell that froze must be calibrated again.",
}


@dataclass(frozen=True, slots=True)
class Absence:
    """Days on which nobody waters: the first and the last one.

    Raises:
        InputError: If the last day is before the first, or the absence is longer than a year.
    """

    first: date
    last: date

    def __post_init__(self) -> None:
        if not 0 <= (self.last - self.first).days <= 366:
            raise InputError(
                f"Absence: from {self.first} to {self.last}; the last day must follow the first within a "
                "year."
            )

    @property
    def days(self) -> int:
        """The length."""
        return (self.last - self.first).days + 1

    def sentence(self) -> str:
        """Return the sentence of its event in the log."""
        return f"Away from {self.first} to {self.last}."

    def cancelled(self) -> str:
        """Return the sentence of the event that cancels it."""
        return f"The absence from {self.first} to {self.last} is cancelled."

    def days_left(self, day: date) -> int:
        """Return the days from a day until people are back."""
        return (self.last - day).days + 1


def absence_from(sentence: str) -> Absence | None:
    """Return the absence of an event's sentence; None if it is not one."""
    found = _ABSENCE.fullmatch(sentence)
    return None if found is None else Absence(*map(date.fromisoformat, found.groups()))


def absences_from(events: Iterable[tuple[str, str]]) -> list[Absence]:
    """Return the absences that count, from the events of a log with their sentences, in order."""
    found: list[Absence] = []
    for event, sentence in events:
        one = absence_from(sentence) if event in (AWAY, AWAY_CANCELLED) else None
        if one is not None and one in found:
            found.remove(one)
        if one is not None and event == AWAY:
            found.append(one)
    return found


def absence_in_force(absences: Iterable[Absence], day: date) -> Absence | None:
    """Return the absence that counts on a day, from :data:`AWAY_LEAD_DAYS` before it to its last day."""
    found = [one for one in absences if (one.first - day).days <= AWAY_LEAD_DAYS and day <= one.last]
    return min(found, key=lambda one: one.first, default=None)


def is_cover_short(cover_low_days: float | None, away: Absence | None, day: date) -> bool:
    """Return whether the water is short while no fill can start.

    Args:
        cover_low_days: The lower end of the 80 % interval of the days that the water lasts; None if nothing
            is known.
        away: The absence in force. It must last until people are back.
        day: The present day.
    """
    if cover_low_days is None:
        return False
    return cover_low_days < max(COVER_DAYS, 0.0 if away is None else float(away.days_left(day)))


def absence_ahead(absences: Iterable[Absence], day: date, every_days: float) -> Absence | None:
    """Return the absence for which this round is the last one before; None if there is none.

    Args:
        absences: All absences that were entered.
        day: The day of the round.
        every_days: The days from one round to the next.
    """
    ahead = [one for one in absences if 0 <= (one.first - day).days <= max(every_days, 1.0)]
    return min(ahead, key=lambda one: one.first, default=None)


class Checklist(StrEnum):
    """A checklist of the year. The value is its word in the command and in the log."""

    BED = "put-to-bed"
    WAKE = "wake-up"


CHECKLISTS: dict[Checklist, tuple[str, ...]] = {
    Checklist.BED: (
        "Flush every tray once more, and let it fall to its depth for the dormant months.",
        "Hold the filling of every reservoir that stands in the frost, and shut its feed.",
        "Drain feed line, purifier and product line, and leave the drain open. Ice bursts housings and "
        "fittings, and the flood comes with the thaw.",
        "Keep a membrane moist and free of frost, as its maker says; a frozen membrane leaks.",
        "Take the cell out, rinse it with product, and keep it free of frost.",
        "Lower an outdoor reservoir to two thirds, so that ice has room, or empty it.",
        "Turn off mains equipment that is not needed; mains work is for a licensed electrician.",
        "Clean the gutters, and lead the rain away from a reservoir that stays empty.",
    ),
    Checklist.WAKE: (
        "Look for cracks in housings, fittings and lines before the feed is opened; stay while they fill.",
        "Check the air gap before the purifier, and that overflow and drain are free.",
        "Rinse the purifier to the drain until the product is steady.",
        "Calibrate the cell; after frost always.",
        "Measure every reservoir and every tray, and enter the samples.",
        "Flush the trays, and fill them to their depth for the growth.",
        "Close the hold on the filling, and watch the first fill to its end.",
    ),
}


def checklist_sentence(done: Checklist) -> str:
    """Return the sentence of the event that a checklist was finished."""
    return {
        Checklist.BED: "The garden was put to bed for the winter; the checklist was finished.",
        Checklist.WAKE: "The garden was woken up in spring; the checklist was finished.",
    }[done]


ROOF_CAUTION = (
    "Roof water can carry metals, moss killer and droppings that no probe sees. No reading shows that water "
    "is safe to drink."
)


@dataclass(frozen=True, slots=True)
class RainStore:
    """The estimate of a rain reservoir."""

    litres: float
    ppm: float
    ppm_sd: float


def after_rain(store: RainStore, roof: Collection, rain_mm: float, rain: Fed) -> RainStore:
    """Return a rain reservoir after the rain of a day: the first flush is led away, the surplus spills.

    Args:
        store: The reservoir before.
        roof: The roof, its first flush and its tank.
        rain_mm: The rain of the day.
        rain: The dissolved solids of the water from the roof after the first flush.
    """
    not_negative("Rain", "the rain of the day", rain_mm, "mm")
    comes_l = max(rain_mm - roof.first_flush_mm, 0.0) * roof.roof_m2 * roof.runoff
    all_l = store.litres + comes_l
    if all_l <= 0.0:
        return store
    share = comes_l / all_l
    # The roof's water has one error for all rains, so the two errors add.
    return RainStore(
        min(all_l, roof.tank_l),
        (1.0 - share) * store.ppm + share * rain.ppm,
        (1.0 - share) * store.ppm_sd + share * rain.ppm_sd,
    )


@dataclass(frozen=True, slots=True)
class Blending:
    """The rain that may be blended into purified water.

    Attributes:
        rain_l: The litres of rain.
        ppm: The concentration of the blend.
        upper_ppm: Its upper end (k = 2), which the target bounds.
        saved_l: The litres of product that the purifier need not make.
        saved_g: The grams of solids that it need not take up.
    """

    rain_l: float
    ppm: float
    upper_ppm: float
    saved_l: float
    saved_g: float


def rain_into_purified(
    held_l: float, held: Fed, room_l: float, store: RainStore, target_ppm: float, feed_ppm: float
) -> Blending:
    """Return the most rain that keeps a purified reservoir under the target with its uncertainty.

    Args:
        held_l: The litres in the purified reservoir.
        held: Their dissolved solids.
        room_l: The litres that still fit.
        store: The rain reservoir.
        target_ppm: The target of the blend.
        feed_ppm: The dissolved solids of the purifier's feed, for the grams that are saved.
    """
    not_negative("Blend", "the water held", held_l, "L")
    not_negative("Blend", "the room", room_l, "L")
    positive("Blend", "the target", target_ppm, "ppm")

    def blend(rain_l: float) -> tuple[float, float]:
        all_l = held_l + rain_l
        if all_l <= 0.0:
            return held.ppm, held.ppm + 2.0 * held.ppm_sd
        ppm = (held_l * held.ppm + rain_l * store.ppm) / all_l
        sd = ((held_l * held.ppm_sd) ** 2 + (rain_l * store.ppm_sd) ** 2) ** 0.5 / all_l
        return ppm, ppm + 2.0 * sd

    most_l = min(room_l, store.litres)
    if blend(most_l)[1] > target_ppm:
        low, high = 0.0, most_l
        for _ in range(60):
            middle = 0.5 * (low + high)
            low, high = (middle, high) if blend(middle)[1] <= target_ppm else (low, middle)
        most_l = low
    ppm, upper_ppm = blend(most_l)
    return Blending(most_l, ppm, upper_ppm, most_l, most_l * max(feed_ppm - store.ppm, 0.0) / 1000.0)
