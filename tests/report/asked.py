"""The figures of a report, computed from the log in plain SQL, independently of the report's own code.

Each figure is a query over the views of the log, for the one reservoir ``barrel``.
"""

import math
import sqlite3
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

Figures = dict[str, float]


def utc_ms(time: str) -> int:
    return round(1000 * datetime.fromisoformat(time).timestamp())


FLAT = """
CREATE TEMP TABLE rolled AS
    SELECT 'minute' AS width, ms(time) AS ms, product_ppm AS product, feed_ppm AS feed,
        throughput_l_min AS lo, throughput_l_max AS hi FROM v_minute
    UNION ALL SELECT 'hour', ms(time), product_ppm, feed_ppm, throughput_l_min, throughput_l_max FROM v_hour;
CREATE TEMP VIEW cart AS SELECT ms(time) AS ms, treated_l AS treated, load_g AS load, exhausted
    FROM v_cartridge;
CREATE TEMP VIEW filled AS SELECT ms(ended) AS ms, ms(started) AS began, volume_l AS volume, ended_by AS ended
    FROM v_fill;
CREATE TEMP VIEW alarmed AS SELECT ms(time) AS ms, alarm, change FROM v_alarm;
"""
MADE = """
CREATE TEMP TABLE made AS SELECT *, hi - coalesce(lag(hi) OVER (PARTITION BY number ORDER BY ms),
        CASE number WHEN 0 THEN lo ELSE 0 END) AS litres
    FROM (SELECT *, (SELECT count(*) FROM cart WHERE cart.ms < rolled.ms) AS number FROM rolled
        WHERE width = 'minute');
CREATE TEMP TABLE flow AS SELECT *, month(ms) AS month FROM made WHERE litres > 1e-9 OR
    EXISTS (SELECT 1 FROM filled WHERE filled.began < made.ms + 60000 AND filled.ms > made.ms);
CREATE TEMP VIEW stood AS SELECT alarm, ms, coalesce((SELECT min(after.ms) FROM alarmed AS after
        WHERE after.alarm = alarmed.alarm AND after.ms >= alarmed.ms
          AND after.change IN ('reset', 'cleared')),
        (SELECT last FROM span)) - ms AS active_ms
    FROM alarmed WHERE change = 'raised';
"""


class Asked:
    """A log with its means in flat tables."""

    def __init__(self, path: Path, zone: ZoneInfo, start_ms: int, end_ms: int) -> None:
        self.db = sqlite3.connect(f"file:{path}?mode=ro", uri=True)
        self.db.create_function(
            "month", 1, lambda ms: f"{datetime.fromtimestamp(ms / 1000, UTC).astimezone(zone):%Y-%m}"
        )
        self.db.create_function("ms", 1, utc_ms)
        self.db.executescript(FLAT)
        self.db.execute("CREATE TEMP TABLE span AS SELECT ? AS first, ? AS last", (start_ms, end_ms))
        self.db.executescript(MADE)

    def rows(self, sql: str, *values: object) -> list[tuple]:  # type: ignore[type-arg]
        return self.db.execute(sql, values).fetchall()

    def one(self, sql: str, *values: object) -> float:
        return self.rows(sql, *values)[0][0]  # type: ignore[no-any-return]

    def figures(self, price: float) -> Figures:
        """Returns every figure but the forecasts."""
        found: Figures = {"price": price}
        for part in (self.water(), self.purity(), self.fills(), self.alarms(), self.by_hand()):
            found.update(part)
        found.update(self.cartridges(price))
        found["spent"] = found["changed"] * price
        # The log of this year has no estimate of the reservoir, so the product stands for it.
        found["given"] = found["product-median"]
        low = self.one("SELECT count(*) FROM alarmed WHERE alarm = 'reservoir-low'")
        assert low == 0, "without that alarm no day is a dry one"
        found["days-low"] = low
        return found

    def water(self) -> Iterator[tuple[str, float]]:
        total = self.one("SELECT sum(litres) FROM made")
        hours = self.one("SELECT count(*) FROM rolled WHERE width = 'hour'")
        yield "made", total
        yield "made-a-day", total / hours * 24
        yield "covered", 100 * hours / self.one("SELECT (last - first) / 3.6e6 FROM span")
        for month, litres, known in self.rows(
            "SELECT month(ms), sum(litres), (SELECT count(*) FROM rolled WHERE width = 'hour' AND "
            "month(rolled.ms) = month(made.ms)) FROM made GROUP BY 1"
        ):
            yield f"made/{month}", litres
            yield f"made-a-day/{month}", litres / known * 24
            yield f"covered-hours/{month}", known
        holes = self.rows(
            "SELECT (ms - before) / 3.6e6 - 1 FROM (SELECT ms, lag(ms) OVER (ORDER BY ms) AS before "
            "FROM rolled WHERE width = 'hour') WHERE ms - before > 3600000"
        )
        yield "gaps", len(holes)
        yield "gap-hours", sum(one for (one,) in holes)
        assert len(holes) == 1, "the name 'gap' stands once here"
        yield "gap", holes[0][0]

    def purity(self) -> Iterator[tuple[str, float]]:
        months = [month for (month,) in self.rows("SELECT DISTINCT month FROM flow")]
        for ending, only in (("", "1"), *((f"/{month}", f"month = '{month}'") for month in months)):
            yield from self.purity_of(ending, only)

    def purity_of(self, ending: str, only: str) -> Iterator[tuple[str, float]]:
        total = self.one(f"SELECT sum(litres) FROM flow WHERE {only}")
        yield (
            f"product-mean{ending}",
            self.one(f"SELECT sum(litres * product) FROM flow WHERE {only}") / total,
        )
        for name, share in (("median", 0.5), ("p90", 0.9), ("p95", 0.95), ("p99", 0.99)):
            yield (
                f"product-{name}{ending}",
                self.one(
                    "SELECT min(product) FROM (SELECT product, sum(litres) OVER (ORDER BY product, ms ROWS "
                    f"UNBOUNDED PRECEDING) AS reached FROM flow WHERE {only}) WHERE reached >= ? - 1e-6",
                    share * total,
                ),
            )
        yield f"product-worst{ending}", self.one(f"SELECT max(product) FROM flow WHERE {only}")
        for word, ppm in (("target", 25), ("limit", 50)):
            minutes, litres = self.rows(
                f"SELECT count(*), coalesce(sum(litres), 0) FROM flow WHERE {only} AND product >= {ppm}"
            )[0]
            yield f"{word}-hours{ending}", minutes / 60
            if not ending:
                yield f"{word}-litres", litres

    def fills(self) -> Iterator[tuple[str, float]]:
        yield "fills", self.one("SELECT count(*) FROM filled")
        for month, _ in self.rows("SELECT DISTINCT month(ms), 1 FROM made"):
            yield f"fills/{month}", 0
            yield f"fills-cut/{month}", 0
        for month, count, cut, litres in self.rows(
            "SELECT month(ms), count(*), sum(ended != 'full'), sum(volume) FROM filled GROUP BY 1"
        ):
            yield f"fills/{month}", count
            yield f"fills-cut/{month}", cut
            yield f"fill-volume/{month}", litres
            yield (
                f"fill-minutes/{month}",
                self.one(
                    "SELECT avg(m) FROM (SELECT (ms - began) / 6e4 AS m, row_number() OVER (ORDER BY "
                    "ms - began) AS n, count(*) OVER () AS c FROM filled WHERE month(ms) = ?) "
                    "WHERE n IN ((c + 1) / 2, c / 2 + 1)",
                    month,
                ),
            )
        for number, (volume,) in enumerate(
            self.rows("SELECT volume FROM filled WHERE ended != 'full' ORDER BY ms"), start=1
        ):
            yield f"cut-fill-{number}/volume", volume

    def alarms(self) -> Iterator[tuple[str, float]]:
        for alarm, count, total, longest in self.rows(
            "SELECT alarm, count(*), sum(active_ms) / 3.6e6, max(active_ms) / 3.6e6 FROM stood GROUP BY 1"
        ):
            yield f"alarm-count/{alarm}", count
            yield f"alarm-hours/{alarm}", total
            yield f"alarm-longest/{alarm}", longest
        yield (
            "trips",
            self.one("SELECT count(*) FROM stood WHERE alarm IN ('link-lost', 'product-over-limit')"),
        )

    def by_hand(self) -> Iterator[tuple[str, float]]:
        keys = {
            "calibration": {
                "constant": "cell_constant_per_cm", "uncertainty": "uncertainty_percent",
                "offset": "offset_us", "standard": "standard_us_cm", "temperature": "temperature_c",
            },
            "sample": {
                "value": "dissolved_solids_ppm", "uncertainty": "uncertainty_ppm",
                "temperature": "temperature_c",
            },
        }  # fmt: skip
        for kind, fields in keys.items():
            for name, key in fields.items():
                found = self.rows(f"SELECT {key} FROM v_{kind} ORDER BY time")
                for number, (value,) in enumerate(found, start=1):
                    yield f"{kind}-{number}/{name}", value

    def cartridges(self, price: float) -> Iterator[tuple[str, float]]:
        done = self.rows("SELECT treated, load, exhausted FROM cart ORDER BY ms")
        yield "changed", len(done)
        yield "exhausted", sum(exhausted for _, _, exhausted in done)
        together = sum(treated for treated, _, _ in done)
        yield "cost-litres", together
        yield "cost-finished", price * len(done) / together
        yield "cost", price * len(done) / together
        running = self.rows(
            "SELECT max(hi), sum((feed - product) * litres) / 1000 FROM made WHERE number = ?",
            len(done),
        )[0]
        for number, (treated, load) in enumerate([*(row[:2] for row in done), running], start=1):
            yield f"cartridge-{number}/treated", treated
            yield f"cartridge-{number}/load", load
            yield f"cartridge-{number}/cost-litres", treated
            yield f"cartridge-{number}/cost", price / treated
            yield (
                f"cartridge-{number}/made",
                self.one("SELECT sum(litres) FROM made WHERE number = ?", number - 1),
            )
            yield (
                f"cartridge-{number}/end",
                self.one(
                    "SELECT coalesce(min(CASE WHEN product >= 50 THEN hi END), max(hi)) FROM flow "
                    "WHERE number = ?",
                    number - 1,
                ),
            )

    def evenings(self, number: int) -> list[tuple[float, float, float, float | None, float | None]]:
        """Returns a row for each day of a cartridge.

        Its values are the end of the day in days since 1970, litres so far, litres of the day, feed, and the
        product after the first five minutes; the last two are None on a day without water.
        """
        return [
            (last / 86_400_000, so_far, litres, feed, product)
            for last, so_far, litres, feed, product in self.rows(
                "SELECT max(ms), max(hi), sum(litres), avg(CASE WHEN nth > 0 THEN feed END), coalesce(avg("
                "CASE WHEN nth > 5 THEN product END), avg(CASE WHEN nth > 0 THEN product END)) FROM (SELECT "
                "*, ms / 86400000 AS day, sum(litres > 1e-9) OVER (PARTITION BY ms / 86400000 ORDER BY ms) * "
                "(litres > 1e-9) AS nth FROM made WHERE number = ?) GROUP BY day ORDER BY 1",
                number,
            )
        ]


def near(a: float, b: float, share: float = 1e-6) -> bool:
    """Returns whether two figures are equal to the digits that are written."""
    return math.isclose(a, b, rel_tol=share, abs_tol=1e-6)
