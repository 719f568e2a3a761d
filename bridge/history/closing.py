"""Blocks and roll-ups made of what waits, before any of it is written.

To pack an hour of readings takes long beside a trip. So it is done outside of any transaction and in bites:
in between, what may not wait is committed as always, and readings go on coming.
"""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from itertools import chain

from bridge.history.pack import Measured, pack_buckets, pack_table
from bridge.history.rest import Rest
from bridge.history.rollup import HOUR_MS, MINUTE_MS, Bucket, RollUp, merge
from bridge.history.schema import block_id, hour_of
from bridge.history.spill import Laid
from bridge.history.store import Block, Store

_AT_ONCE = 32
"""Rows between two rests."""


@dataclass(frozen=True, slots=True)
class RolledHour:
    """The roll-ups of one reservoir's hour, packed."""

    hour: int
    reservoir: str
    minutes: bytes
    whole: bytes


@dataclass(frozen=True, slots=True)
class Closed:
    """What is to be written at once."""

    taken: Mapping[str, int]
    """By reservoir, how many of the readings that wait are in the blocks."""
    blocks: list[tuple[str, Block]]
    hours: list[RolledHour]


def close(
    store: Store, waiting: Mapping[str, bytearray], taken: Mapping[str, int], hour: int, rest: Rest
) -> Closed:
    """Blocks of the first ``taken`` readings of each reservoir, and the roll-ups of hours before ``hour``
    that have none yet or have new blocks. Changes nothing. Raises :class:`sqlite3.Error` and ``LogError``.

    :param waiting: the readings of each reservoir, end to end; they may grow meanwhile.
    """
    blocks: list[tuple[str, Block]] = []
    hours: list[RolledHour] = []
    names = store.names()
    unrolled = {
        (info.id >> 24, names[info.reservoir])
        for info in store.blocks(block_id(store.last_rolled() + 1, 0, 0), block_id(max(hour, 0), 0, 0))
    }
    for name, count in taken.items():
        fresh: dict[int, list[Laid]] = {}
        for group in _groups(waiting[name], count, rest):
            at = hour_of(group.utc_of(0))
            fresh.setdefault(at, []).append(group)
            boot, last = group.order(-1)
            body = pack_table(group, rest)
            blocks.append((name, Block(at, boot, last, group.utc_of(-1), len(group), body)))
        for at, groups in fresh.items():
            if at < hour:
                unrolled.discard((at, name))
                new = chain.from_iterable(_one_by_one(group) for group in groups)
                hours += _rolled(at, name, chain(_stored(store, at, name, rest), new), rest)
    for at, name in sorted(unrolled):
        hours += _rolled(at, name, _stored(store, at, name, rest), rest)
    return Closed(taken, blocks, hours)


def _groups(packed: bytearray, count: int, rest: Rest) -> Iterator[Laid]:
    """The readings apart by boot and hour, each group at one stretch."""
    laid = Laid(packed, 0, count)
    first, key = 0, (laid.order(0)[0], hour_of(laid.utc_of(0)))
    for index in range(1, count):
        if not index % _AT_ONCE:
            rest()
        now = laid.order(index)[0], hour_of(laid.utc_of(index))
        if now != key:
            yield Laid(packed, first, index)
            first, key = index, now
    yield Laid(packed, first, count)


def _one_by_one(group: Laid) -> Iterator[Measured]:
    return (group[index] for index in range(len(group)))


def _stored(store: Store, hour: int, name: str, rest: Rest) -> Iterator[Measured]:
    """The readings of an hour that are in blocks already."""
    number = store.find(name)
    if number is not None:
        for info in list(store.blocks(block_id(hour, number, 0), block_id(hour, number + 1, 0))):
            yield from store.readings_in(info.id, rest)


def _rolled(hour: int, name: str, rows: Iterable[Measured], rest: Rest) -> Iterator[RolledHour]:
    """The roll-ups of an hour; none where it has no readings."""
    roll = RollUp(MINUTE_MS)
    buckets: list[Bucket] = []
    for index, one in enumerate(rows):
        if not index % _AT_ONCE:
            rest()
        closed = roll.add(one.utc_ms, one.values, one.health)
        if closed:
            buckets.append(closed)
    last = roll.close()
    if last is not None:
        buckets.append(last)
        rest()
        whole = merge(buckets, hour * HOUR_MS, HOUR_MS)
        yield RolledHour(hour, name, pack_buckets(buckets, rest), pack_buckets([whole], rest))
