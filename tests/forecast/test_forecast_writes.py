"""What keeping the forecast costs the memory card, counted in blocks and not guessed."""

import math
import struct
from pathlib import Path

from bridge.forecast import persistence as saved
from bridge.forecast.learned import Kept, Learned, prior
from bridge.guard.model import Flow
from bridge.history.limits import LogSettings
from bridge.history.records import ReadingRow, Stamp
from bridge.history.schema import PAGE_BYTES
from bridge.history.writer import Writer
from bridge.purifier import breakthrough
from bridge.purifier.cartridge import Kind
from bridge.station.plan import CartridgePlan
from bridge.tank.use import DrawOff, RunningMean
from bridge.water.health import Health

BLOCK, WAL_HEAD, FRAME_HEAD = 4096, 32, 24
START_MS = 1_750_003_200_000
FITTED = CartridgePlan(Kind.EXCHANGE, 60.0)


def states(count: int) -> list[bytes]:
    """What a prospect keeps, save after save, of a cartridge late in its life with its draw-off seen."""
    front = breakthrough.begin(prior(FITTED, ()), 50.0)
    for litre in range(170):
        front = breakthrough.observe(front, 1.0, 300.0, 0.5 + 0.02 * math.sin(litre))
    means = tuple(RunningMean(7.0, 0.123456789 * (k + 1), 0.0123456789) for k in range(24))
    made = []
    for k in range(count):
        front = breakthrough.observe(front, 0.05, 300.0, 0.5 + 0.02 * math.sin(k))
        draw = DrawOff(hours=means, months=means[:12], day=means[0])
        learned = Learned(front=front, total_l=front.load.treated_l, draw=draw, booked_l=front.load.treated_l)
        made.append(saved.written(Kept(learned, FITTED, 50.0, 300.0, 100.0 + 0.1 * k, front.load)))
    return made


def blocks_a_day(folder: Path, forecasts: list[bytes]) -> int:
    """Blocks that a day of readings writes, with a forecast kept every ``24 / len(forecasts)`` hours."""
    log = folder / "log.db"
    writer = Writer(log, None, LogSettings(outbox=None))
    writer.open()

    def frames() -> int:
        return int(struct.unpack_from("=I", log.with_name("log.db-shm").read_bytes(), 16)[0])

    size, blocks, done = FRAME_HEAD + PAGE_BYTES, 0, frames()
    every_s = 86_400 // len(forecasts) if forecasts else 86_401
    for second in range(0, 86_400, 30):
        stamp = Stamp(1, second, START_MS + 1000 * second)
        wave = math.sin(second / 3000.0)
        writer.waiting.take_reading(
            ReadingRow(
                stamp, "barrel", 8.0 + wave, 14.0 + wave, 10.0 + wave, 5.0 + wave, 0.1, 310.0, 120.0 + wave,
                12.0, 3000.0, Flow.SHUT, Health.GOOD,
            )
        )  # fmt: skip
        if second % 60 == 0:
            writer.waiting.remember("accounts.barrel", b"%d" % second * 30)
        if forecasts and second % every_s == every_s - 60:
            writer.waiting.remember("prospect.barrel", forecasts[second // every_s])
        before = writer.commits
        writer.turn(float(second))
        if writer.commits != before:
            now = frames()
            blocks += (WAL_HEAD + now * size - 1) // BLOCK - (WAL_HEAD + done * size) // BLOCK + 1
            done = now
    wal = log.with_name("log.db-wal").read_bytes()
    pages = {struct.unpack_from(">I", wal, WAL_HEAD + n * size)[0] for n in range(done)}
    writer.close()
    return blocks + len({(page - 1) * PAGE_BYTES // BLOCK for page in pages})


def test_the_forecast_adds_less_than_a_quarter_of_a_mebibyte_to_a_days_writing(tmp_path: Path) -> None:
    kept = states(30)
    (tmp_path / "with").mkdir()
    (tmp_path / "without").mkdir()
    bare = blocks_a_day(tmp_path / "without", [])
    full = blocks_a_day(tmp_path / "with", kept)
    mebibytes = (full - bare) * BLOCK / 2**20
    print(f"{len(kept[-1])} bytes a time: {mebibytes:.3f} MiB a day more than {bare * BLOCK / 2**20:.2f}")
    assert bare > 20
    assert 0.0 < mebibytes < 0.25
