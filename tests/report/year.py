"""An invented year of one barrel, written through the real log: three cartridges, of which two are exhausted.

Every number is invented and describes no real installation. Each day has one fill at half a litre a minute,
with a reading each minute, and a reading each hour otherwise. February has no fill, and the bridge is off for
ten days in August. The product follows a front of another shape than the forecast's model.
"""

import math
import random
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

from bridge.forecast import persistence
from bridge.forecast.learned import Kept, Learned
from bridge.guard.model import Advisory, AlarmId, Flow, Trip
from bridge.history.records import (
    AlarmChange,
    AlarmRow,
    CalibrationRow,
    CartridgeRow,
    CommandRow,
    EntryRow,
    FillRow,
    MinuteRow,
    ReadingRow,
    Row,
    SampleRow,
    Stamp,
)
from bridge.history.rollup import MINUTE_MS, RollUp
from bridge.history.waiting import LogSettings
from bridge.history.writer import Log
from bridge.purifier.cartridge import Kind, Load
from bridge.station.plan import CartridgePlan
from bridge.water.health import Health

ZONE = ZoneInfo("Europe/Berlin")
FIRST = datetime(2025, 1, 1, tzinfo=ZONE)
DAYS = 365
LIMIT_PPM, TARGET_PPM, FACTOR = 50.0, 25.0, 0.5
TRUE_G = (352.0, 374.0, 900.0)
RATED_G, RATING_SD, PRICE = 300.0, 0.20, 60.0
FLOW_L_MIN = 0.5
CHANGE_AT = timedelta(hours=9, minutes=30)
SAMPLE_NOTE = "<b>bold</b> & <script>alert(1)</script>"


@dataclass(slots=True)
class Barrel:
    """The invented world and its log rows."""

    treated_l: float = 0.0
    applied_g: float = 0.0
    number: int = 0
    sequence: int = 0
    boot: int = 1
    waiting: list[ReadingRow | EntryRow] = field(default_factory=list)
    feed: float = 300.0
    volume: float = 150.0
    target: bool = False
    ordered: bool = False
    chance: random.Random = field(default_factory=lambda: random.Random(7))

    def stamp(self, when: datetime) -> Stamp:
        self.sequence += 1
        return Stamp(self.boot, self.sequence, round(when.timestamp() * 1000))

    def add(self, row: ReadingRow | EntryRow) -> None:
        self.waiting.append(row)

    def read(self, when: datetime, product: float, flow: Flow) -> None:
        warm = 15.0 + 6.0 * math.cos((when.timetuple().tm_yday - 200) / 365.0 * math.tau)
        flows = flow is not Flow.SHUT
        self.add(
            ReadingRow(
                self.stamp(when),
                "barrel",
                temperature_c=round(warm, 2),
                conductivity_25_us_cm=product / FACTOR,
                product_ppm=product,
                uncertainty_ppm=0.02 * product + 0.05 if flows else None,
                feed_ppm=self.feed,
                volume_l=round(self.volume, 1) if flows else None,
                throughput_l=round(self.treated_l, 2),
                path=flow,
                health=Health.GOOD,
            )
        )

    def alarm(
        self, when: datetime, alarm: AlarmId, change: AlarmChange, by: str = "", first: bool = False
    ) -> None:
        self.add(AlarmRow(self.stamp(when), "barrel", alarm, change, "As the manual has it.", by, first))

    def asked(self, when: datetime, what: str) -> None:
        self.add(CommandRow(self.stamp(when), "barrel", what, "hub", True))

    def made_ppm(self) -> float:
        true_g = TRUE_G[self.number]
        through = 0.5 * math.erfc((true_g - self.applied_g) / (0.03 * true_g * math.sqrt(2.0)))
        return 0.6 + (self.feed - 0.6) * through + abs(self.chance.gauss(0.0, 0.02))

    def day(self, day: datetime, after: datetime) -> None:
        """Runs one day: idle, then a fill that begins in the evening."""
        yearly = math.cos((day.timetuple().tm_yday - 30) / 365.0 * math.tau)
        self.feed = 300.0 * (1.0 + 0.15 * yearly) * self.chance.uniform(0.98, 1.02)
        wanted_l = (
            0.0 if day.astimezone(ZONE).month == 2 else 10.0 - 5.0 * yearly + self.chance.uniform(-2.0, 2.0)
        )
        begin = day + timedelta(hours=18, minutes=self.chance.randrange(0, 90))
        self.volume = 170.0
        at = day + timedelta(minutes=30)
        while at < after:
            if at - day == CHANGE_AT and self.exhausted:
                # The hour of the change has readings of both cartridges.
                self.read(at - timedelta(minutes=20), 9.0, Flow.SHUT)
                self.change(at - timedelta(minutes=1))
            if wanted_l > 0.0 and begin <= at:
                at = max(at, self.fill(begin, wanted_l))
                wanted_l = 0.0
            self.read(at, 9.0, Flow.SHUT)
            at += timedelta(hours=1)

    def fill(self, begin: datetime, wanted_l: float) -> datetime:
        came_l, minute, over = 0.0, 0, False
        while came_l < wanted_l and not over:
            when = begin + timedelta(minutes=minute)
            product = self.made_ppm() + 14.0 * math.exp(-minute / 1.5)
            over = self.made_ppm() >= LIMIT_PPM
            litres = min(FLOW_L_MIN, wanted_l - came_l)
            came_l += litres
            self.treated_l += litres
            self.applied_g += self.feed * litres / 1000.0
            self.volume += litres
            self.read(when, product, Flow.TO_RESERVOIR)
            minute += 1
        end = begin + timedelta(minutes=minute)
        if not self.target and self.made_ppm() >= TARGET_PPM:
            self.target = True
            self.alarm(end, Advisory.PRODUCT_OVER_TARGET, AlarmChange.RAISED)
        if not self.ordered and self.applied_g >= 0.9 * TRUE_G[self.number]:
            self.ordered = True
            self.alarm(end, Advisory.ORDER_CARTRIDGE, AlarmChange.RAISED)
        if over:
            self.alarm(end, Trip.PRODUCT_OVER_LIMIT, AlarmChange.RAISED, first=True)
        self.add(
            FillRow(
                self.stamp(end), "barrel", round(begin.timestamp() * 1000), round(came_l, 2), None, None,
                "trip" if over else "full",
            )
        )  # fmt: skip
        if over:
            self.spent(end)
        return end

    def spent(self, end: datetime) -> None:
        """Acknowledges the trip, changes the cartridge the next morning, and resets."""
        self.asked(end + timedelta(minutes=40), "acknowledge product-over-limit")
        self.alarm(end + timedelta(minutes=40), Trip.PRODUCT_OVER_LIMIT, AlarmChange.ACKNOWLEDGED, by="hub")

    def change(self, when: datetime) -> None:
        self.asked(when, "cartridge changed")
        self.add(
            CartridgeRow(
                self.stamp(when), "barrel", "", round(self.treated_l, 2), round(self.applied_g, 3), "hub",
                True,
            )
        )  # fmt: skip
        self.asked(when + timedelta(minutes=1), "reset all")
        for change in (AlarmChange.RESET, AlarmChange.CLEARED):
            by = "hub" if change is AlarmChange.RESET else ""
            self.alarm(when + timedelta(minutes=1), Trip.PRODUCT_OVER_LIMIT, change, by)
        for standing, alarm in (
            (self.target, Advisory.PRODUCT_OVER_TARGET),
            (self.ordered, Advisory.ORDER_CARTRIDGE),
        ):
            if standing:
                self.alarm(when + timedelta(minutes=2), alarm, AlarmChange.CLEARED_UNACKNOWLEDGED)
                self.alarm(when + timedelta(minutes=2), alarm, AlarmChange.CLEARED)
        self.treated_l = self.applied_g = 0.0
        self.number += 1
        self.target = self.ordered = False

    @property
    def exhausted(self) -> bool:
        return self.applied_g > 0.0 and self.made_ppm() >= LIMIT_PPM


def by_hand(barrel: Barrel, day: datetime) -> None:
    """Adds events other than fills."""
    at = day + timedelta(hours=9)
    number = (day.date() - FIRST.date()).days
    if number in (40, 290):
        barrel.add(
            CalibrationRow(
                barrel.stamp(at), "barrel", "product", 0.1012 - number * 1e-6, 0.02, 84.0, 25.0, 1.4,
                "bottle opened on the day",
            )
        )  # fmt: skip
    if number in (60, 150, 240):
        barrel.add(
            SampleRow(
                barrel.stamp(at), "barrel", "feed", 610.0 + number, 305.0 + number / 2, 6.0, FACTOR, 14.0,
                "natural", "unsuitable", "",
            )
        )  # fmt: skip
    if number == 200:
        barrel.add(
            SampleRow(
                barrel.stamp(at), "barrel", "tray", 92.0, 46.0, 1.5, FACTOR, 21.5, "natural", "marginal",
                SAMPLE_NOTE,
            )
        )  # fmt: skip
    if number in (20, 100, 101, 300):
        barrel.alarm(at, Trip.LINK_LOST, AlarmChange.RAISED, first=True)
        for change, minute in (
            (AlarmChange.CLEARED_UNACKNOWLEDGED, 7),
            (AlarmChange.RESET, 8),
            (AlarmChange.CLEARED, 8),
        ):
            barrel.alarm(at + timedelta(minutes=minute), Trip.LINK_LOST, change)
    if number == 330:
        barrel.alarm(at, Advisory.PROBE_MAINTENANCE, AlarmChange.RAISED)


def off(day: datetime) -> bool:
    """Returns whether the bridge was off that day."""
    return (8, 10) <= (day.month, day.day) < (8, 20)


def batches(barrel: Barrel, days: int) -> Iterator[tuple[datetime, list[ReadingRow | EntryRow]]]:
    """Yields the rows of each day, in order of time."""
    for number in range(days):
        local, after = (_midnight(number + k) for k in (0, 1))
        if off(local):
            continue
        by_hand(barrel, local)
        # Local days have 23 to 25 hours; the clock of the readings has no summer time.
        barrel.day(local.astimezone(UTC), after.astimezone(UTC))
        rows, barrel.waiting = sorted(barrel.waiting, key=lambda row: row.stamp.utc_ms), []
        yield local, rows


def _midnight(number: int) -> datetime:
    day = FIRST.date() + timedelta(days=number)
    return datetime(day.year, day.month, day.day, tzinfo=ZONE)


def write(path: Path, days: int = DAYS) -> Barrel:
    """Writes the year into a log at ``path``, through the log's own thread."""
    barrel = Barrel()
    log = Log(path, settings=LogSettings(outbox=None))
    barrel.boot = log.start().result().boot
    sequence, roll = 0, RollUp(MINUTE_MS)
    for _, rows in batches(barrel, days):
        ordered: list[ReadingRow | EntryRow] = []
        for row in rows:
            # Stamps must rise in time; the rows above are not in order within a day.
            sequence += 1
            ordered.append(_restamped(row, sequence))
        log.write(with_minutes(roll, ordered))
        assert log.flush().result(), log.trouble
    last = roll.close()
    assert last is not None
    log.write([MinuteRow("barrel", last)])
    log.write([persistence.written("barrel", kept(barrel))], durable=True)
    assert log.close(30.0), log.trouble
    assert log.figures.lost_readings == 0
    return barrel


def with_minutes(roll: RollUp, rows: Iterable[ReadingRow | EntryRow]) -> list[Row]:
    """Yields the rows, and each minute before the first row after that minute."""
    found: list[Row] = []
    for row in rows:
        if isinstance(row, ReadingRow):
            closed = roll.add(row.stamp.utc_ms, row.values, row.health)
            found += [] if closed is None else [MinuteRow("barrel", closed)]
        found.append(row)
    return found


def kept(barrel: Barrel) -> Kept:
    """Returns the forecast state that a daemon saves; it has the report's limit and cartridge."""
    fitted = CartridgePlan(Kind.EXCHANGE, RATED_G, price=PRICE, rating_sd=RATING_SD)
    load = Load(barrel.treated_l, barrel.applied_g)
    return Kept(Learned(), fitted, LIMIT_PPM, barrel.feed, barrel.volume, load)


def _restamped(row: ReadingRow | EntryRow, sequence: int) -> ReadingRow | EntryRow:
    return replace(row, stamp=Stamp(row.stamp.boot, sequence, row.stamp.utc_ms))
