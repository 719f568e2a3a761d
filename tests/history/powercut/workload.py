"""Writes a log under the shim, and acknowledges what the log has reported to be on the disk.

An acknowledgement is a line in the file ``acknowledged`` beside the log, so it stands in the same journal as
the writes, in order:

- ``session B``: session B has begun.
- ``alarm N``: alarm N and the latched state N.
- ``command N`` and ``litres N``: a command of the daemon, and an entry from outside the daemon.
- ``rows B S``: every row of session B up to sequence S.
"""

import os
import random
import sqlite3
import sys
from collections.abc import Sequence
from concurrent.futures import Future
from functools import partial
from pathlib import Path
from typing import Any
from unittest import mock

from bridge.daemon.rows import RecordClock
from bridge.guard.model import Flow, Trip
from bridge.history import writer
from bridge.history.records import (
    AlarmChange,
    AlarmRow,
    CommandRow,
    Litres,
    LitresRow,
    ReadingRow,
    Row,
    Stamp,
    StateRow,
)
from bridge.history.waiting import LogSettings, OutboxSettings
from tests.history.powercut.disk import ACKNOWLEDGED
from tests.waiting import DEADLINE_S

SETTINGS = LogSettings(raw_days=3660, outbox=OutboxSettings(every_s=0, pack_rows=20))


class Careless(sqlite3.Connection):
    """A connection whose commits never wait for the disk, as if the writer had forgotten to demand it."""

    def execute(self, sql: str, *parameters: Any) -> sqlite3.Cursor:
        if sql.startswith("PRAGMA synchronous"):
            sql = "PRAGMA synchronous = OFF"
        return super().execute(sql, *parameters)


class Session:
    """One session of the bridge.

    Args:
        path: the log.
        acknowledged: the descriptor of the file of acknowledgements.
        chance: decides what is written.
    """

    def __init__(self, path: Path, acknowledged: int, chance: random.Random) -> None:
        self.path, self.chance, self._acknowledged = path, chance, acknowledged
        self.log = writer.Log(path, settings=SETTINGS)
        opened = self.log.start().result(DEADLINE_S)
        assert self.log.trouble is None
        assert opened.complete
        self.boot = opened.boot
        self._clock = RecordClock(opened.boot, opened.last_utc_ms)
        self._second = opened.last_utc_ms / 1000.0 - 1_750_003_200.0 if opened.last_utc_ms else 0.0
        latched = opened.state.get("latched")
        self._alarms = 0 if latched is None else int(latched.text)
        self._last = -1
        self.acknowledge(f"session {self.boot}")

    def acknowledge(self, line: str) -> None:
        os.write(self._acknowledged, f"{line}\n".encode())

    def stamp(self) -> Stamp:
        self._second += 5.0
        stamp, _ = self._clock.stamp(self._second, 1_750_003_200.0 + self._second)
        self._last = stamp.sequence
        return stamp

    def durably(self, rows: Sequence[Row], line: str) -> None:
        """Writes durable rows, and sometimes goes on before they are on the disk."""
        written: Future[bool] = Future()

        def done(on_disk: bool) -> None:
            if on_disk:
                self.acknowledge(line)
            written.set_result(on_disk)

        self.log.write(rows, durable=True, done=done)
        if self.chance.random() < 0.8:
            assert written.result(DEADLINE_S)

    def step(self, number: int) -> None:
        """Writes some readings, then one thing of another kind."""
        for _ in range(self.chance.randrange(6)):
            value = self.chance.uniform(0.0, 200.0)
            self.log.write([ReadingRow(self.stamp(), "barrel", conductance_us=value, path=Flow.SHUT)])
        what = self.chance.randrange(6)
        if what == 0:
            self._alarms += 1
            self.durably(
                [
                    AlarmRow(
                        self.stamp(), "barrel", Trip.OVERFLOW, AlarmChange.RAISED, f"alarm {self._alarms}"
                    ),
                    StateRow("latched", 1, str(self._alarms)),
                ],
                f"alarm {self._alarms}",
            )
        elif what == 1:
            name = f"{self.boot}.{number}"
            self.durably([CommandRow(self.stamp(), "barrel", name, "page", accepted=True)], f"command {name}")
        elif what == 2:
            # Saved state of this size brings a checkpoint every few hundred steps.
            noise = self.chance.randbytes(self.chance.randrange(20_000)).hex()
            self.log.write([StateRow("forecast.barrel", 1, f'"{noise}"')])
        elif what == 3 and self.log.flush().result(DEADLINE_S):
            self.acknowledge(f"rows {self.boot} {self._last}")
        elif what == 4:
            name = f"{self.boot}.{number}"
            writer.add(self.path, lambda stamp: LitresRow(stamp, "shelf", Litres.PUT, 5.0, name))
            self.acknowledge(f"litres {name}")
        # The request is answered after the rows before it were committed.
        for parcel in self.log.parcels(2).result(DEADLINE_S):
            self.log.acknowledge(parcel)

    def close(self) -> None:
        assert self.log.close(DEADLINE_S)
        self.acknowledge(f"rows {self.boot} {self._last}")


def main(path: Path, seed: int, steps: int, *, careless: bool) -> None:
    """Writes two sessions: the first one is closed in order, the second one ends like a killed process."""
    acknowledged = os.open(path.with_name(ACKNOWLEDGED), os.O_WRONLY | os.O_CREAT | os.O_APPEND)
    chance = random.Random(seed)
    connect = partial(sqlite3.connect, factory=Careless) if careless else sqlite3.connect
    # Without its wait of five seconds, the log makes a commit for almost every call.
    with mock.patch.object(writer, "COMMIT_S", 0.0), mock.patch("sqlite3.connect", connect):
        for is_last in (False, True):
            session = Session(path, acknowledged, chance)
            for number in range(steps):
                session.step(number)
            if is_last:
                os._exit(0)
            session.close()


if __name__ == "__main__":
    main(Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3]), careless="careless" in sys.argv[4:])
