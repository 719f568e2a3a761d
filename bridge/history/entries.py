"""Entries that people make: the row of a reading taken by hand, and taking an entry back. Core.

An entry that was taken back stays in the log, and a later one says that it does not count.
"""

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import partial

from bridge.estimate.verdict import COVERAGE_FACTOR, Verdict, decide
from bridge.history.records import (
    KINDS,
    CartridgeRow,
    EntryRow,
    Kind,
    LitresRow,
    SampleRow,
    Stamp,
    UndoRow,
    when_ms,
)
from bridge.units import DisplayUnits
from bridge.water.measurement import Measurement
from bridge.water.meter import HandMeter, MeterReading


@dataclass(frozen=True, slots=True)
class Judged:
    """A reading taken by hand, with its verdict and its meter."""

    measurement: Measurement
    verdict: Verdict
    meter: str = ""
    """The id of the hand meter. Empty for a bare cell."""
    meter_uncertainty_ppm: float | None = None
    """What all samples with this meter share, expanded (k = 2)."""
    below_resolution: bool = False


def judged(
    found: MeterReading | Measurement, meter: HandMeter | None, limit_ppm: float, target_ppm: float
) -> Judged:
    """Judge a reading by the rule of :mod:`bridge.estimate.verdict`.

    Raises:
        OutOfRangeError: The target is over the limit.
    """
    if isinstance(found, Measurement):
        band_ppm = found.expanded_uncertainty_ppm
        return Judged(found, decide(found.dissolved_solids_ppm, band_ppm, limit_ppm, target_ppm).verdict)
    read = found.measurement
    verdict = decide(read.dissolved_solids_ppm, read.expanded_uncertainty_ppm, limit_ppm, target_ppm).verdict
    name = "" if meter is None else meter.ident
    return Judged(read, verdict, name, COVERAGE_FACTOR * found.common_ppm, found.below_resolution)


def sample_row(
    stamp: Stamp,
    reservoir: str,
    of: str,
    reading: Judged,
    note: str,
    at_ms: int | None = None,
) -> SampleRow:
    """Make the row of a sample in the log.

    Args:
        stamp: The stamp of the row.
        reservoir: The reservoir, or the id of what is kept by hand.
        of: What was sampled.
        reading: The reading, judged.
        note: A few words of the person.
        at_ms: When it was taken, in UTC; None for now.
    """
    measurement = reading.measurement
    return SampleRow(
        stamp,
        reservoir,
        of,
        conductivity_25_us_cm=measurement.conductivity_25_us_cm,
        dissolved_solids_ppm=measurement.dissolved_solids_ppm,
        uncertainty_ppm=measurement.expanded_uncertainty_ppm,
        factor=measurement.factor,
        temperature_c=measurement.temperature_c,
        method=measurement.method.value,
        verdict=reading.verdict.value,
        note=note,
        at_ms=at_ms,
        meter=reading.meter,
        meter_uncertainty_ppm=reading.meter_uncertainty_ppm,
        below_resolution=reading.below_resolution,
    )


UNDONE_KINDS = (Kind.SAMPLE, Kind.LITRES, Kind.CARTRIDGE)
"""The kinds of entry that can be taken back."""


def last_entries(rows: Sequence[EntryRow], of: str, *, by_hand: bool) -> tuple[EntryRow, ...]:
    """Return those entries that were made last about ``of``, together; empty if there are none.

    The entries of one command line are a millisecond apart. An older bridge repeated a sample of the
    reservoir in the log when it used it, so the copies of such a sample go with it.

    Args:
        rows: The entries of the reservoir that still count, of :data:`UNDONE_KINDS`, in order.
        of: What was sampled.
        by_hand: Whether it is kept by hand.
    """
    if not by_hand:
        samples = [row for row in rows if isinstance(row, SampleRow) and row.of == of]
        return _with_copies(samples) if samples else ()
    if not rows:
        return ()
    first = len(rows) - 1
    while first > 0 and rows[first].stamp.utc_ms - rows[first - 1].stamp.utc_ms == 1:
        first -= 1
    return tuple(rows[first:])


def _with_copies(samples: Sequence[SampleRow]) -> tuple[EntryRow, ...]:
    last = len(samples) - 1
    # A copy has no uncertainty.
    while last > 0 and samples[last].uncertainty_ppm == 0.0 and _same(samples[last], samples[last - 1]):
        last -= 1
    return tuple(samples[last:])


def _same(one: SampleRow, other: SampleRow) -> bool:
    return abs(one.conductivity_25_us_cm - other.conductivity_25_us_cm) <= 1e-4 * one.conductivity_25_us_cm


def makers(taken_back: Iterable[EntryRow], note: str) -> Iterator[Callable[[Stamp], EntryRow]]:
    """Make, for each entry, the one that takes it back."""
    for row in taken_back:
        yield partial(
            UndoRow,
            reservoir=row.reservoir,
            kind=KINDS[type(row)].value,
            undone_ms=row.stamp.utc_ms,
            note=note,
        )


def lines(taken_back: Iterable[EntryRow], units: DisplayUnits) -> Iterator[str]:
    """Put into words what was taken back."""
    for row in taken_back:
        match row:
            case SampleRow():
                what = f"the sample of {row.of}, {units.ppm_as(row.dissolved_solids_ppm, row.factor, '.3g')}"
            case LitresRow():
                what = f"{units.litres_as(row.litres, '.4g')} {row.what.value}"
            case CartridgeRow():
                what = "the change of the cartridge"
            case _:
                continue
        yield f"Taken back: {what}, of {units.local(when_ms(row) // 1000).isoformat(' ')}. The log keeps it."
        if isinstance(row, SampleRow) and row.of == "reservoir":
            yield (
                "If the bridge was running, it has used this sample already. Measure the reservoir "
                "again, and enter that sample: it replaces the value."
            )
