"""Takes back an entry by hand: the entry stays in the log, and a later one says that it does not count."""

from collections.abc import Callable, Iterable, Iterator, Sequence
from functools import partial
from pathlib import Path

from bridge.commands.shared.log_file import reading
from bridge.errors import InputError
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

_KINDS = (Kind.SAMPLE, Kind.LITRES, Kind.CARTRIDGE)


def last_entries(path: Path, name: str, of: str, *, by_hand: bool) -> tuple[EntryRow, ...]:
    """Return the entries of the last command line about ``of`` that still count.

    The entries of one command line are a millisecond apart. A running bridge repeats a sample of the
    reservoir in the log when it uses it, so the copies of a sample go with it.

    Args:
        path: The log.
        name: The reservoir, or the id of what is kept by hand.
        of: What was sampled.
        by_hand: Whether it is kept by hand.

    Raises:
        InputError: There is no such entry.
    """
    with reading(path) as reader:
        rows = list(reader.events(0, reader.span_ms()[1] + 1, kinds=_KINDS, reservoir=name))
    if not by_hand:
        samples = [row for row in rows if isinstance(row, SampleRow) and row.of == of]
        return _with_copies(samples) if samples else _refuse(of, path)
    if not rows:
        _refuse(of, path)
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


def _refuse(of: str, path: Path) -> tuple[EntryRow, ...]:
    raise InputError(f"--undo: {path} has no entry of {of} that can be taken back")


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
        if isinstance(row, SampleRow) and row.of == "reservoir" and row.uncertainty_ppm == 0.0:
            yield (
                "The running bridge has already used this sample. Measure the reservoir again, and enter "
                "that sample: it replaces the value."
            )
