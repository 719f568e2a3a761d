"""Writes a log at full speed until it is killed, and prints each committed row to the standard output.

``A n``: alarm n and the latched state n are on the disk. ``R n``: rows up to sequence n of this session are
committed. A file beside the log stands for the hub: a line in it was received there.
"""

import sys
from functools import partial
from pathlib import Path

from bridge.daemon.rows import RecordClock
from bridge.guard.model import Trip
from bridge.history.records import AlarmChange, AlarmRow, ReadingRow, StateRow
from bridge.history.waiting import LogSettings, OutboxSettings
from bridge.history.writer import Log
from tests.history.conftest import line
from tests.waiting import DEADLINE_S


def promise(number: int, on_disk: bool) -> None:
    if on_disk:
        print("A", number, flush=True)


def drop_cut_line(hub: Path) -> None:
    """Drop a line that a kill has cut, as a broker drops a message that did not arrive whole."""
    written = hub.read_bytes() if hub.exists() else b""
    if not written.endswith(b"\n"):
        hub.write_bytes(written[: written.rfind(b"\n") + 1])


def main(log_path: Path, hub: Path) -> None:
    drop_cut_line(hub)
    # A long campaign covers months of virtual time, and no reading may be too old for its end.
    settings = LogSettings(raw_days=3660, outbox=OutboxSettings(every_s=0, pack_rows=20))
    log = Log(log_path, settings=settings)
    opened = log.start().result(DEADLINE_S)
    clock = RecordClock(opened.boot, opened.last_utc_ms)
    saved = opened.state.get("latched")
    number = 0 if saved is None else int(saved.text)
    print("B", opened.boot, number, flush=True)
    second = 0.0
    with hub.open("a") as received:
        while True:
            for _ in range(60):
                second += 30.0
                stamp, _ = clock.stamp(second, 1_750_003_200.0 + second)
                conductance_us = float(stamp.sequence % 97)
                log.write([ReadingRow(stamp, "barrel", conductance_us=conductance_us, volume_l=second % 200)])
            safe = stamp.sequence
            if log.flush().result(DEADLINE_S):
                print("R", safe, flush=True)
            number += 1
            stamp, _ = clock.stamp(second, 1_750_003_200.0 + second)
            alarm = AlarmRow(stamp, "barrel", Trip.OVERFLOW, AlarmChange.RAISED, f"alarm {number}")
            log.write(
                [alarm, StateRow("latched", 1, str(number))],
                durable=True,
                done=partial(promise, number),
            )
            for parcel in log.parcels(4).result(DEADLINE_S):
                received.writelines(line(row) + "\n" for row in parcel.rows)
                received.flush()
                log.acknowledge(parcel)


if __name__ == "__main__":
    main(Path(sys.argv[1]), Path(sys.argv[2]))
