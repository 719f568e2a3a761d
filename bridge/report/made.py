"""How many litres were made, roll-up by roll-up, and by which cartridge. Core.

The log carries the product made by the running cartridge so far. Between two roll-ups it rises by what was
made; it starts again at zero when a change of cartridge is recorded. A fall without such a record means that
the accounts of an earlier moment were taken up again (after a power cut, say): nothing was made by it.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from bridge.history.records import CartridgeRow, Series
from bridge.history.rollup import Bucket, Cell


@dataclass(frozen=True, slots=True)
class Made:
    """What one cartridge made within one roll-up."""

    bucket: Bucket
    number: int
    """0 for the cartridge that was in at the start, one more after each change."""
    litres: float
    treated_l: float
    """Made by this cartridge so far, at the end of it."""


def made(buckets: Iterable[Bucket], changes: Sequence[CartridgeRow]) -> list[Made]:
    """Litres of each roll-up that knows of them; roll-ups of different widths may follow each other.

    :param buckets: in order of time, without overlap.
    :param changes: the cartridges changed within the same span, in order.
    """
    known = [(bucket, cell) for bucket in buckets if (cell := bucket.cells[Series.THROUGHPUT]) is not None]
    found: list[Made] = []
    end: float | None = None
    number = 0
    for i, (bucket, cell) in enumerate(known):
        after_ms = bucket.start_ms + bucket.span_ms
        following = known[i + 1][1] if i + 1 < len(known) else None
        changed = False
        while number < len(changes) and changes[number].stamp.utc_ms < after_ms:
            treated_l = changes[number].treated_l
            inside = changes[number].stamp.utc_ms >= bucket.start_ms
            last = end or 0.0
            if inside:
                # Never more than a reading has shown: the record alone moves no water.
                last = cell.greatest if treated_l is None else min(treated_l, cell.greatest)
            begin = end if end is not None else min(cell.least, last)
            found.append(Made(bucket, number, max(last - begin, 0.0), last))
            number += 1
            end = 0.0
            changed = changed or inside
        if changed:
            # Least and greatest belong to two cartridges; where the new one stands, the next roll-up says.
            now = 0.0 if following is None else min(following.least, cell.greatest)
            found.append(Made(bucket, number, now, now))
        else:
            litres, now = _risen(cell, end, following)
            found.append(Made(bucket, number, litres, now))
        end = now
    return found


def _risen(cell: Cell, end: float | None, following: Cell | None) -> tuple[float, float]:
    """Litres made without a change of cartridge, and where the account stands then."""
    begin = cell.least if end is None else end
    if cell.least >= begin:
        return cell.greatest - begin, cell.greatest
    if cell.greatest < begin:
        # It fell while nobody looked.
        return cell.greatest - cell.least, cell.greatest
    now = cell.least if following is None else min(max(following.least, cell.least), cell.greatest)
    return (cell.greatest - begin) + (now - cell.least), now


def flowing(hours: Sequence[Bucket], changes: Sequence[CartridgeRow]) -> set[int]:
    """The start of each hour in which something was made, so that it is worth a closer look."""
    return {one.bucket.start_ms for one in made(hours, changes) if one.litres > 0.0}
