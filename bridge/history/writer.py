"""What the log writes and when. Runs in the log's thread; nothing here knows of threads.

=====================================  ==============================  ===========================
what                                   reaches the card                a power cut costs
=====================================  ==============================  ===========================
alarm, trip, command, cartridge,       at once, committed with full    nothing that was committed
calibration, sample, latched state     synchronisation
event, end of a fill, counters         within ``lazy_s``, or with the  at most ``lazy_s`` of them
                                       next commit
a reading that moved                   within one turn (half a second) at most the last turn
(:mod:`bridge.history.marks`)
every other reading                    in a block, when its hour is    its detail inside the bands
                                       over or the block is full       of the marks, for an hour
=====================================  ==============================  ===========================

Killing the process costs nothing but the last turn: what waits lies in the spill
(:mod:`bridge.history.spill`). The hour is the price of a card that lasts: a commit for each reading
would write at least 31 million blocks a year, and the aim is a hundred thousand.
"""

from collections.abc import Callable, Mapping
from pathlib import Path

from bridge.errors import LogError
from bridge.history.closing import Closed, close
from bridge.history.limits import LogSettings
from bridge.history.outbox import Outbox, OutboxLevel
from bridge.history.recovery import BOOT, Opened, look, next_boot, opened
from bridge.history.rest import Rest, no_rest
from bridge.history.rollup import HOUR_MS
from bridge.history.schema import hour_of, open_for_writing
from bridge.history.spill import Laid, Part, Spill, frame, raw
from bridge.history.store import Store
from bridge.history.trouble import LogFault, LogTrouble
from bridge.history.waiting import Waiting


class Writer:
    """The file, the spill and what waits. Methods raise sqlite3.Error, OSError and LogError.

    ``rest`` is called again and again while blocks are made. It may take more rows and call
    :meth:`commit_now`.
    """

    def __init__(self, path: Path, spill: Path | None, settings: LogSettings, rest: Rest = no_rest) -> None:
        self.path = path
        self.settings = settings
        self.spill_path = spill
        self.waiting = Waiting(settings)
        self.store: Store | None = None
        self.outbox = Outbox(settings.outbox, self.waiting.remember, rest) if settings.outbox else None
        self.level: OutboxLevel | None = None
        self.commits = 0
        self.provisional_boot = 0
        """The boot number that was given out before the file could be written; 0 when none was."""
        self.spill_trouble: LogTrouble | None = None
        """Set when the spill had to be given up; the owner takes it and tells."""
        self._rest = rest
        self._spill: Spill | None = None
        self._identity = ""
        self._boot = 0
        self._swept_day = -1
        self._marks: list[tuple[str, tuple[int, int], int]] = []
        """The marks that this writer put into the file: reservoir, boot and sequence, id."""

    def open(self, *, trust_spill: bool = False) -> Opened | None:
        """Open the file. The first time, also take up what an earlier process left, and return what was
        known."""
        if self._spill is None and not self._identity:
            self._open_spill()
        if self.store is None:
            self.store = Store(open_for_writing(self.path))
        known: Opened | None = None
        if not self._boot:
            known = self._recover(self.store, trust_spill)
        else:
            self.waiting.all_again()
        self.store.begin()
        self._identity = self.store.identity()
        self.store.commit()
        self.turn(0.0, everything=True)
        return known

    def _recover(self, store: Store, trust_spill: bool) -> Opened:
        found = look(store, self.spill_path if self._spill else None, trust_spill=trust_spill)
        waiting = self.waiting
        for name, rows in found.readings.items():
            # What arrived before the file could be opened comes after what an earlier process left.
            waiting.readings[name] = bytearray().join(map(raw, rows)) + waiting.readings.get(name, b"")
        waiting.entries = [*found.entries, *waiting.entries]
        waiting.in_block = dict(found.in_block)
        waiting.kept = {**found.state, **waiting.kept}
        waiting.dirty = {**found.spilled, **waiting.dirty}
        waiting.hour = max(waiting.hour, hour_of(found.last_utc_ms))
        self._boot = max(next_boot(waiting.kept), self.provisional_boot)
        waiting.remember(BOOT, str(self._boot).encode())
        if self.outbox is not None:
            self.outbox.load(waiting.kept, store, self._boot)
        return opened(waiting.kept, self._boot, found.last_utc_ms)

    def salvage(self, state: Mapping[str, bytes]) -> None:
        """Saved values out of a damaged file, for the new one."""
        self.waiting.all_again({key: value for key, value in state.items() if key != "log.identity"})

    def drop_file(self) -> None:
        """Let go of a file that gave trouble. What waits stays."""
        if self.store is not None:
            try:
                self.store.connection.close()
            finally:
                self.store = None

    def spill(self) -> None:
        """Put what was taken since the last time where a killed process leaves it."""
        frames = self.waiting.frames
        if not frames:
            return
        self.waiting.frames = []
        spill = self._spill
        # Before the file is open nobody knows whose spill it is; the first commit writes all of it anew.
        if spill is None or not self._identity:
            return
        try:
            spill.append(b"".join(frames))
        except OSError as error:
            self._lose_spill(spill, error)
        if spill.size > self.settings.most_waiting * 512 * (1 + len(self.waiting.readings)):
            self._begin_spill()

    def turn(self, now_s: float, *, everything: bool = False) -> None:
        """Commit what is due; ``everything``, whether it is due or not, with the blocks as they are."""
        if not everything and not self.waiting.is_due(now_s):
            return
        if self.store is None:
            raise LogError(f"The log {self.path} is not open.")
        if everything or self.waiting.block_due:
            self._close_blocks(self.store, everything)
        else:
            self._commit(self.store, None)

    def commit_now(self, now_s: float) -> None:
        """Commit what may not wait for blocks that are being made."""
        if self.store is not None and self.waiting.is_due(now_s, blocks=False):
            self._commit(self.store, None)

    def close(self) -> None:
        """Write everything and let go; the spill stays when something could not be written."""
        clean = False
        try:
            self.turn(0.0, everything=True)
            clean = True
        finally:
            if self._spill is not None:
                self._spill.close(remove=clean)
                self._spill = None
            self.drop_file()

    def _close_blocks(self, store: Store, everything: bool) -> None:
        """Make blocks of what is due for them, and commit them with all else that waits."""
        waiting = self.waiting
        if self.outbox is not None:
            self.outbox.gather(waiting)
        waiting.block_due, waiting.holding = False, True
        try:
            taken = waiting.taken_by_blocks(everything)
            self._commit(store, close(store, waiting.readings, taken, waiting.hour, self._rest))
        except BaseException:
            waiting.block_due = True
            raise
        finally:
            waiting.holding = False
        if self.outbox is not None:
            self.level = self.outbox.level(store)

    def _commit(self, store: Store, closed: Closed | None) -> None:
        waiting = self.waiting
        store.begin()
        try:
            kept = self._marks if closed is None else self._write_blocks(store, closed)
            marks = [
                (name, (one.boot, one.sequence), store.add_mark(store.reservoir(name), one))
                for name, one in waiting.marks
                if closed is None or (one.boot, one.sequence) > _last_of(closed, waiting, name)
            ]
            store.add_entries(waiting.entries)
            swept = self._swept_day if closed is None else self._sweep(store)
            store.save_state(waiting.dirty)
            store.commit()
        except BaseException:
            store.rollback()
            raise
        self.commits += 1
        self._swept_day, self._marks = swept, [*kept, *marks]
        waiting.committed()
        if closed is None:
            self._spilling(lambda spill: spill.append(frame(Part.COMMITTED, b"")))
        else:
            waiting.blocked(closed.taken)
            self._begin_spill()

    def _write_blocks(self, store: Store, closed: Closed) -> list[tuple[str, tuple[int, int], int]]:
        """Store blocks and roll-ups, and drop the marks of what is in them; the marks that stay."""
        for name, block in closed.blocks:
            store.add_block(store.reservoir(name), block)
        for one in closed.hours:
            store.add_roll_ups(one.hour, store.reservoir(one.reservoir), one.minutes, one.whole)
        last = {name: _last_of(closed, self.waiting, name) for name, _, _ in self._marks}
        kept = [mark for mark in self._marks if mark[1] > last[mark[0]]]
        # Those that an earlier process left are known to nobody; all they stand for is in blocks by now.
        gone = {mark[2] for mark in self._marks} - {mark[2] for mark in kept}
        store.drop_marks(gone if kept else None)
        return kept

    def _sweep(self, store: Store) -> int:
        """Retention, once a day."""
        hour, ages = self.waiting.hour, self.settings
        if hour // 24 != self._swept_day:
            store.drop_before(
                block_hour=hour - 24 * ages.raw_days,
                minute_hour=hour - 24 * ages.minute_days,
                hour_hour=hour - 24 * ages.hour_days,
                entry_ms=(hour - 24 * ages.entry_days) * HOUR_MS,
                keep_from=self.outbox.keep_from(store) if self.outbox is not None else 2**62,
            )
        return hour // 24

    def _open_spill(self) -> None:
        if self.spill_path is None:
            self.waiting.frames = None
            return
        try:
            self._spill = Spill(self.spill_path)
        except OSError as error:
            self._give_up_spill(error)

    def _begin_spill(self) -> None:
        """Write the spill anew with what waits now, so that it holds nothing twice."""
        waiting = self.waiting
        waiting.frames = None if waiting.frames is None else []
        self._spilling(lambda spill: spill.replace(self._identity, self._boot, waiting.all_frames()))

    def _spilling(self, work: Callable[[Spill], None]) -> None:
        """The spill is a second line: when it fails the log goes on without it."""
        if self._spill is None:
            return
        try:
            work(self._spill)
        except OSError as error:
            self._lose_spill(self._spill, error)

    def _lose_spill(self, spill: Spill, error: OSError) -> None:
        # Left behind, it would one day be taken for newer than the file.
        spill.close(remove=True)
        self._spill = None
        self._give_up_spill(error)

    def _give_up_spill(self, error: OSError) -> None:
        self.waiting.frames = None
        self.spill_path, where = None, self.spill_path
        told = (
            f"What waits for the log cannot be kept in {where} ({error}): if the bridge is killed, up to an "
            "hour of the readings' detail is lost. Make room there, or give the right to write, and restart."
        )
        self.spill_trouble = LogTrouble(LogFault.SPILL, told)


def _last_of(closed: Closed, waiting: Waiting, reservoir: str) -> tuple[int, int]:
    """Boot and sequence of the last reading of a reservoir that went into the blocks."""
    count = closed.taken.get(reservoir)
    return (-1, -1) if count is None else Laid(waiting.readings[reservoir], 0, count).order(-1)
