"""A reader of the log that shows the entries of some reservoirs only, and says how far it is."""

from collections.abc import Iterable, Iterator
from pathlib import Path

from bridge.history.entries import Kind
from bridge.history.reader import Progress, Reader
from bridge.history.records import EntryRow

_TELL_EVERY = 100


class NarrowedReader(Reader):
    """As its parent; :meth:`events` leaves out what concerns other reservoirs than those named.

    :param reservoirs: all of them, and what concerns the whole bridge, when empty.
    :param progress: called with the fraction done.
    """

    def __init__(self, path: Path, spill: Path | None, reservoirs: Iterable[str], progress: Progress) -> None:
        super().__init__(path, spill)
        self._reservoirs = frozenset(reservoirs)
        self._progress = progress

    def events(
        self, start: int, end: int, *, kinds: Iterable[Kind] = (), reservoir: str | None = None
    ) -> Iterator[EntryRow]:
        """The entries that are left, in order."""
        rows = super().events(start, end, kinds=kinds, reservoir=reservoir)
        for number, row in enumerate(rows):
            if number % _TELL_EVERY == 0:
                self._progress((row.stamp.utc_ms - start) / max(1, end - start))
            if not self._reservoirs or row.reservoir in self._reservoirs:
                yield row
        self._progress(1.0)
