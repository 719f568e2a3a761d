"""A process that writes a log as fast as it can until it is killed; its promises go to the standard output.

``A n``: alarm n and the latched state n are in the log. ``R n``: readings up to sequence n of this boot
are safe. A file beside the log stands for the hub: a line in it was received there.
"""

import sys
from pathlib import Path


def main(log_path: Path, spill: Path, hub: Path) -> None:
    from conftest import line

    from bridge.guard.model import Trip
    from bridge.history.limits import LogSettings
    from bridge.history.log import Log
    from bridge.history.order import RecordClock
    from bridge.history.outbox import OutboxSettings
    from bridge.history.records import AlarmChange, AlarmRow, ReadingRow

    settings = LogSettings(outbox=OutboxSettings(every_s=0, pack_rows=20, pack_s=100))
    log = Log(log_path, spill=spill, settings=settings)
    opened = log.start().result(30)
    clock = RecordClock(opened.boot, opened.last_utc_ms)
    number = int(opened.state.get("latched", b"0"))
    print("B", opened.boot, number, flush=True)
    second = 0.0
    with hub.open("a") as received:
        while True:
            for _ in range(60):
                second += 30.0
                stamp, _ = clock.stamp(second, 1_750_003_200.0 + second)
                log.append(
                    ReadingRow(
                        stamp, "barrel", conductance_us=float(stamp.sequence % 97), volume_l=second % 200
                    )
                )
            safe = stamp.sequence
            if log.settle().result(30):
                print("R", safe, flush=True)
            number += 1
            stamp, _ = clock.stamp(second, 1_750_003_200.0 + second)
            alarm = AlarmRow(stamp, "barrel", Trip.OVERFLOW, AlarmChange.RAISED, f"alarm {number}")
            log.append(alarm, state={"latched": str(number).encode()})
            if log.settle().result(30):
                print("A", number, flush=True)
            for parcel in log.peek(4).result(30):
                received.writelines(line(row) + "\n" for row in parcel.rows)
                received.flush()
                log.acknowledge([parcel.id])


if __name__ == "__main__":
    root = Path(__file__).parents[2]
    sys.path[:0] = [str(root), str(root / "tests" / "history")]
    main(Path(sys.argv[1]), Path(sys.argv[2]), Path(sys.argv[3]))
