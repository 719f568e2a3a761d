"""The absences in the log, and what happened during one: litres, levels and alarms. Shell.

An absence is an event of the whole bridge. Its report is another one, so that it is made once.
"""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date, timedelta, tzinfo
from pathlib import Path

from bridge.config.plan import BridgePlan
from bridge.history.reader import Reader
from bridge.history.records import AlarmChange, AlarmRow, EventRow, Kind
from bridge.trays.seasons import AWAY, AWAY_CANCELLED, AWAY_REPORT, Absence, absence_in_force, absences_from
from bridge.units import DisplayUnits
from bridge.watering.waters import levels_and_fills
from bridge.watering.weather import start_ms, zone_of

REPORT_WITHIN_DAYS = 14
"""A report that is later than this after the return is not made by itself."""


@dataclass(frozen=True, slots=True)
class ReservoirWhileAway:
    """One reservoir during an absence. None where no sensor measures the volume."""

    reservoir: str
    fills: int
    made_l: float | None
    """The litres of its fills."""
    used_l: float | None
    """The litres that left it."""
    lowest_l: float | None


@dataclass(frozen=True, slots=True)
class AbsenceReport:
    """What happened during an absence."""

    absence: Absence
    reservoirs: tuple[ReservoirWhileAway, ...]
    alarms: tuple[tuple[str, str], ...]
    """The reservoir and the id of each alarm that was raised, in order."""
    sentences: tuple[str, ...]
    """Their sentences, in the same order."""

    def text(self, units: DisplayUnits) -> str:
        """Return it as sentences."""
        absence = self.absence
        days = "1 day" if absence.days == 1 else f"{absence.days} days"
        parts = [f"Away from {absence.first} to {absence.last}, {days}."]
        parts += [self._of(one, units) for one in self.reservoirs]
        if not self.alarms:
            return " ".join([*parts, "There was no alarm."])
        counts = {key: self.alarms.count(key) for key in dict.fromkeys(self.alarms)}
        listed = [
            f"{alarm} of {reservoir or 'the bridge'}" + (f" ({count} times)" if count > 1 else "")
            for (reservoir, alarm), count in counts.items()
        ]
        return " ".join([*parts, f"Alarms: {', '.join(listed)}."])

    @staticmethod
    def _of(one: ReservoirWhileAway, units: DisplayUnits) -> str:
        def litres(value: float) -> str:
            return units.litres_as(value, ".1f")

        fills = "1 fill" if one.fills == 1 else f"{one.fills} fills"
        if one.made_l is None or one.used_l is None or one.lowest_l is None:
            return f"{one.reservoir}: {fills}; its litres were not measured."
        return (
            f"{one.reservoir}: {fills} made {litres(one.made_l)}, {litres(one.used_l)} were used, and the "
            f"lowest volume was {litres(one.lowest_l)}."
        )


def absences_in(path: Path) -> list[Absence]:
    """Return the absences of a log that count, in the order in which they were entered.

    Raises:
        LogError: The log cannot be read.
    """
    if not path.exists():
        return []
    with Reader(path) as reader:
        return read_absences(reader)


def read_absences(reader: Reader) -> list[Absence]:
    """Return the same from an open log."""
    return absences_from((row.event, row.sentence) for row in _events(reader, (AWAY, AWAY_CANCELLED)))


def unreported(reader: Reader, today: date) -> list[Absence]:
    """Return the absences that have ended lately and have no report in the log yet."""
    reported = [row.sentence for row in _events(reader, (AWAY_REPORT,))]
    return [
        one
        for one in read_absences(reader)
        if 0 < (today - one.last).days <= REPORT_WITHIN_DAYS
        and not any(f"from {one.first} to {one.last}," in sentence for sentence in reported)
    ]


def _events(reader: Reader, events: Sequence[str]) -> Iterator[EventRow]:
    rows = reader.events(0, reader.span_ms()[1] + 1, kinds=(Kind.EVENT,), reservoir="")
    return (row for row in rows if isinstance(row, EventRow) and row.event in events)


def report_of(reader: Reader, absence: Absence, zone: tzinfo | None, today: date) -> AbsenceReport:
    """Return what happened during an absence, up to today if it has not ended.

    Args:
        reader: The open log.
        absence: The absence.
        zone: The zone of the garden; None for that of the machine.
        today: The present day.
    """
    start = start_ms(absence.first, zone)
    end = start_ms(min(absence.last, today) + timedelta(days=1), zone)
    raised = [
        row
        for row in reader.events(start, end, kinds=(Kind.ALARM,))
        if isinstance(row, AlarmRow) and row.change is AlarmChange.RAISED
    ]
    return AbsenceReport(
        absence,
        tuple(_reservoir(reader, ident, start, end) for ident in reader.reservoirs()),
        tuple((row.reservoir, row.alarm.value) for row in raised),
        tuple(row.sentence for row in raised),
    )


def _reservoir(reader: Reader, ident: str, start: int, end: int) -> ReservoirWhileAway:
    volumes, made = levels_and_fills(reader, ident, start, end)
    litres = [one for one in made if one is not None]
    if not volumes or len(litres) < len(made):
        return ReservoirWhileAway(ident, len(made), None, None, None)
    made_l = math.fsum(litres)
    used_l = max(volumes[0].mean + made_l - volumes[-1].mean, 0.0)
    return ReservoirWhileAway(ident, len(made), made_l, used_l, min(cell.least for cell in volumes))


@dataclass(frozen=True, slots=True)
class Absences:
    """The absences of a log on a day."""

    away: Absence | None
    """The one whose marks count."""
    ended: tuple[AbsenceReport, ...]
    """Those that have ended and whose report is not in the log yet."""


def absences_on(plan: BridgePlan, path: Path, today: date) -> Absences:
    """Read the absences of a log.

    Raises:
        LogError: The log cannot be read.
    """
    if not path.exists():
        return Absences(None, ())
    zone = zone_of(plan)
    with Reader(path) as reader:
        reports = [report_of(reader, one, zone, today) for one in unreported(reader, today)]
        return Absences(absence_in_force(read_absences(reader), today), tuple(reports))
