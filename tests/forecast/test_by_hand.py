"""Purifiers and jugs without sensors: records entered by hand have the same forecast."""

import json
import math
from pathlib import Path

import pytest

from bridge.commands.forecast.log import state_by_hand, values_by_hand
from bridge.commands.log import text_of
from bridge.forecast import by_hand
from bridge.forecast.by_hand import HandPlan, ShelfPlan
from bridge.guard.model import Advisory
from bridge.history.records import CartridgeRow, EntryRow, Litres, LitresRow, SampleRow, Stamp
from bridge.purifier.cartridge import Kind
from bridge.purifier.forecast import Forecast
from bridge.station.plan import CartridgePlan
from bridge.units import LITRES_PER_US_GALLON
from tests.narrowing import every
from tests.running import clearwell, succeeds

DAY_MS = 86_400_000
FEED_PPM, RATED_G, TRUE_G = 200.0, 16.0, 14.0
PITCHER = HandPlan(
    "pitcher", "Pitcher", 0.5, 50.0, 25.0, FEED_PPM,
    CartridgePlan(Kind.EXCHANGE, RATED_G, price=15.0, lead_days=7.0, rating_sd=0.20),
)  # fmt: skip
JUGS = ShelfPlan("jugs", "Jugs", 0.5, 50.0, 25.0, price_per_l=0.34, lead_days=5.0)


ByHandRow = CartridgeRow | LitresRow | SampleRow


class Kitchen:
    """Two litres a day through a pitcher, entered every day and read twice a week."""

    def __init__(self) -> None:
        self.rows: list[ByHandRow] = []
        self.day = 0.0
        self.taken_g = 0.0

    def stamp(self) -> Stamp:
        return Stamp(1, len(self.rows), round(self.day * DAY_MS) + len(self.rows))

    def litres(self, litres: float, what: Litres = Litres.MADE, of: str = "pitcher") -> None:
        self.rows.append(LitresRow(self.stamp(), of, what, litres))

    def read(self, ppm: float, of: str = "product", celsius: float | None = None) -> None:
        self.rows.append(
            SampleRow(self.stamp(), "pitcher", of, ppm / 0.5, ppm, 1.0, 0.5, celsius, "off", "suitable")
        )

    def change(self, exhausted: bool | None) -> None:
        self.rows.append(CartridgeRow(self.stamp(), "pitcher", "", None, None, exhausted=exhausted))
        self.taken_g = 0.0

    @property
    def product_ppm(self) -> float:
        return 1.0 + (FEED_PPM - 1.0) / (1.0 + math.exp(-(self.taken_g - 1.02 * TRUE_G) / (0.02 * TRUE_G)))

    def live_a_day(self) -> None:
        self.day += 1.0
        self.litres(2.0)
        self.taken_g += 2.0 * (FEED_PPM - self.product_ppm) / 1000.0
        if round(self.day) % 3 == 0:
            self.read(self.product_ppm)

    def state(self) -> by_hand.HandState:
        return by_hand.purifier_after(PITCHER, self.rows)


def test_a_pitcher_is_ordered_in_time_and_the_forecast_of_its_next_cartridge_is_narrower() -> None:
    kitchen = Kitchen()
    ordered_at = None
    while kitchen.product_ppm < 50.0:
        kitchen.live_a_day()
        state = kitchen.state()
        if ordered_at is None and state.advisories == {Advisory.ORDER_CARTRIDGE}:
            ordered_at = kitchen.day
    life_days = kitchen.day
    assert ordered_at is not None
    # Only the rating speaks: an early order costs nothing but the place on the shelf.
    assert 0.2 * life_days < ordered_at <= life_days - PITCHER.cartridge.lead_days
    kitchen.change(exhausted=True)
    kitchen.live_a_day()
    state = kitchen.state()
    (earlier,) = state.earlier
    assert earlier.load_g == pytest.approx(TRUE_G, rel=0.04)
    assert earlier.exhausted
    assert state.treated_before_l == pytest.approx((2.0 * life_days,))
    assert isinstance(state.outlook, Forecast)
    assert state.outlook.days_left.median == pytest.approx(life_days - 1.0, rel=0.08)
    assert state.outlook.litres_left.low95 < 2.0 * life_days - 2.0 < state.outlook.litres_left.high95
    assert not state.advisories


def test_litres_without_a_reading_count_for_the_load_and_an_early_change_is_a_lower_bound() -> None:
    kitchen = Kitchen()
    for _ in range(20):
        kitchen.day += 1.0
        kitchen.litres(2.0)
    state = kitchen.state()
    assert state.kept.load.treated_l == pytest.approx(40.0)
    assert state.kept.load.taken_up_g == pytest.approx(40.0 * FEED_PPM / 1000.0)
    assert isinstance(state.outlook, Forecast)
    assert state.outlook.days_left.median == pytest.approx((RATED_G / 0.2 - 40.0) / 2.0, rel=0.1)
    kitchen.change(exhausted=False)
    (earlier,) = kitchen.state().earlier
    assert earlier.load_g == pytest.approx(8.0)
    assert not earlier.exhausted
    # Without --exhausted the readings decide.
    kitchen.litres(10.0)
    kitchen.read(80.0)
    kitchen.change(exhausted=None)
    assert [one.exhausted for one in kitchen.state().earlier] == [False, True]


def test_a_sample_of_the_feed_counts_from_then_on() -> None:
    kitchen = Kitchen()
    kitchen.litres(10.0)
    kitchen.read(0.0)
    kitchen.read(400.0, of="feed")
    kitchen.litres(10.0)
    kitchen.read(0.0)
    assert kitchen.state().kept.load.taken_up_g == pytest.approx(10.0 * 0.2 + 10.0 * 0.4)


def test_a_membrane_and_a_still_with_entries_by_hand_are_forecast_too() -> None:
    kitchen = Kitchen()
    for _ in range(30):
        kitchen.day += 1.0
        kitchen.litres(2.0)
        kitchen.read(8.0, celsius=15.0)
    left_l: list[float] = []
    for fitted in (CartridgePlan(Kind.MEMBRANE, rejection_percent=96.0), CartridgePlan(Kind.DISTILLER, 50.0)):
        plan = HandPlan("pitcher", "Pitcher", 0.5, 50.0, 25.0, FEED_PPM, fitted)
        outlook = by_hand.purifier_after(plan, kitchen.rows).outlook
        assert isinstance(outlook, Forecast), fitted.kind
        assert 0.0 < outlook.days_left.low95 <= outlook.days_left.median
        left_l.append(outlook.litres_left.median)
    # 60 L at 200 ppm leave at most 12 g of scale; the still is descaled at 50 g.
    assert left_l[-1] == pytest.approx((50.0 - 12.0) / 0.2)


def test_a_pitcher_cartridge_of_15_for_20_gallons_costs_under_1_a_gallon() -> None:
    """Common practice, no source: bought distilled water costs 1.00 to 1.60 a gallon."""
    kitchen = Kitchen()
    for _ in range(20):
        kitchen.day += 1.0
        kitchen.litres(LITRES_PER_US_GALLON)
        kitchen.read(1.0)
    grams = 20.0 * LITRES_PER_US_GALLON * (FEED_PPM - 1.0) / 1000.0
    fitted = CartridgePlan(Kind.EXCHANGE, grams, price=15.0, rating_sd=0.20)
    plan = HandPlan("pitcher", "Pitcher", 0.5, 50.0, 25.0, FEED_PPM, fitted)
    cost = values_by_hand(state_by_hand(plan, list(kitchen.rows)))["cost_per_l"]
    assert 0.5 < cost["median"] * LITRES_PER_US_GALLON < 1.0
    assert cost["low95"] < cost["low80"] < cost["median"] < cost["high80"] <= cost["high95"]


def test_jugs_on_a_shelf_have_days_of_cover_and_an_order_in_time() -> None:
    kitchen = Kitchen()
    kitchen.litres(40.0, Litres.PUT, "jugs")
    assert by_hand.shelf_after(JUGS, kitchen.rows).cover is None
    state = None
    for _ in range(7):
        kitchen.day += 2.0
        kitchen.litres(4.0, Litres.TAKEN, "jugs")
        state = by_hand.shelf_after(JUGS, kitchen.rows)
    assert state is not None
    assert state.cover is not None
    assert state.stock_l == pytest.approx(12.0)
    assert state.cover.daily_l == pytest.approx(2.0, rel=0.03)
    assert state.cover.days == pytest.approx(6.0, rel=0.04)
    low, high = state.cover.low80_days, state.cover.high80_days
    assert state.cover.low95_days < low < state.cover.days < high < state.cover.high95_days
    assert state.order_now is True
    kitchen.litres(40.0, Litres.PUT, "jugs")
    state = by_hand.shelf_after(JUGS, kitchen.rows)
    assert state.order_now is False
    # After a count, the missing litres are recorded as taken.
    kitchen.day += 2.0
    kitchen.litres(48.0, Litres.LEFT, "jugs")
    counted = by_hand.shelf_after(JUGS, kitchen.rows)
    assert (counted.stock_l, counted.taken_l) == (48.0, 32.0)
    assert counted.cover is not None
    assert counted.cover.daily_l == pytest.approx(2.0, rel=0.03)


# --- at the terminal ------------------------------------------------------------------------------

CONFIG = """
[purifier.pitcher]
name = "Kitchen pitcher"
factor = 0.7
limit_ppm = 30
feed_ppm = 200

[purifier.pitcher.cartridge]
kind = "exchange"
treats = "45 us-gal"
treats_of = 95
price = 15

[shelf.jugs]
price_per_l = 0.34
"""


@pytest.fixture
def config(tmp_path: Path) -> Path:
    path = tmp_path / "clearwell.toml"
    path.write_text(CONFIG, encoding="utf-8")
    return path


def test_litres_and_reading_are_entered_in_one_line_and_forecast_without_a_daemon(config: Path) -> None:
    here = ("--config", str(config))
    assert "kept by hand" in succeeds("check", str(config))
    assert "nothing yet" in succeeds("forecast", *here)
    said = succeeds("sample", *here, "--of", "pitcher", "--litres", "3.8", "--ppm", "4")
    # Scale and limit come from the configuration.
    assert "4 ppm on the scale of 0.7 ppm" in said
    assert "target of 25 ppm" in said
    assert "Treated        3.8 L, 0.745 g taken up" in said
    assert "rating ±50 %; use not known yet" in said
    words = ("--of", "pitcher", "--litres", "2", "--ppm", "60", "--feed-ppm", "250", "--changed", "exhausted")
    entered = json.loads(succeeds("sample", *here, *words, "--json"))
    assert entered["verdict"] == "unsuitable"
    assert entered["earlier_cartridges"] == 1
    assert entered["treated_l"] == 0.0
    succeeds("sample", *here, "--of", "jugs", "--litres", "20")
    succeeds("sample", *here, "--of", "jugs", "--took", "4", "--note", "trays")
    pitcher, jugs = json.loads(succeeds("forecast", *here, "--json"))
    assert pitcher["purifier"] == "pitcher"
    assert pitcher["litres_left"]["low80"] < pitcher["litres_left"]["median"]
    assert pitcher["cost_per_l"]["median"] > 0.0
    assert (jugs["shelf"], jugs["stock_l"]) == ("jugs", 16.0)
    (only,) = json.loads(succeeds("forecast", *here, "--reservoir", "jugs", "--json"))
    assert only == jugs
    rows = by_hand_rows(config)
    assert [text_of(row) for row in rows if isinstance(row, LitresRow | CartridgeRow)] == [
        "3.8 L made",
        "2 L made",
        "changed; the old one made 6 L, took out 1 g of dissolved solids and was exhausted",
        "20 L put on the shelf",
        "4 L taken from the shelf: trays",
    ]


def test_litres_and_feed_are_entered_with_their_units(config: Path) -> None:
    here = ("--config", str(config), "--of", "pitcher")
    succeeds("sample", *here, "--litres", "2 US gal", "--ppm", "4", "--feed-ppm", "250 uS/cm")
    rows = by_hand_rows(config)
    (litres,), (feed, *_) = every(LitresRow, rows), every(SampleRow, rows)
    assert litres.litres == pytest.approx(2.0 * LITRES_PER_US_GALLON)
    # On the pitcher's own scale of 0.7 ppm for each µS/cm.
    assert feed.of == "feed"
    assert feed.dissolved_solids_ppm == pytest.approx(175.0)


def test_a_meter_that_shows_0_keeps_the_litres_of_its_entry(config: Path) -> None:
    succeeds("sample", "--config", config, "--of", "pitcher", "--litres", "3.8", "--ppm", "0")
    (litres,), (product,) = every(LitresRow, by_hand_rows(config)), every(SampleRow, by_hand_rows(config))
    assert litres.litres == 3.8
    assert (product.dissolved_solids_ppm, product.meter) == (0.25, "usual")
    assert product.uncertainty_ppm >= product.meter_uncertainty_ppm > 20.0  # type: ignore[operator]


def test_an_entry_that_was_taken_back_counts_nowhere_and_stays_in_the_log(config: Path) -> None:
    here = ("--config", str(config))
    pitcher = (*here, "--of", "pitcher")
    succeeds("sample", *pitcher, "--litres", "3.8", "--ppm", "4")
    before = json.loads(succeeds("forecast", *here, "--json"))
    succeeds("sample", *pitcher, "--litres", "38", "--ppm", "4", "--feed-ppm", "250")
    said = succeeds("sample", *pitcher, "--undo", "--note", "a slip")
    assert "Taken back: 38 L made" in said
    assert "the sample of feed, 250 ppm" in said
    after = json.loads(succeeds("forecast", *here, "--json"))
    assert after == before
    log = config.with_name("clearwell.db")
    listed = " ".join(succeeds("log", "--log", str(log)).split())
    assert "38 L made" in listed
    assert listed.count("is taken back: a slip") == 3
    succeeds("sample", *pitcher, "--undo")
    refused = clearwell("sample", *pitcher, "--undo")
    assert (refused.status, "no entry of pitcher" in refused.stderr) == (2, True)


def test_an_entry_is_corrected_on_one_line(config: Path) -> None:
    jugs = ("--config", str(config), "--of", "jugs")
    succeeds("sample", *jugs, "--litres", "20")
    succeeds("sample", *jugs, "--took", "15")
    # By the entries before, 18 L would be more than the shelf holds after 15 L.
    said = succeeds("sample", *jugs, "--undo", "--took", "18")
    assert "Taken back: 15 L taken" in said
    assert json.loads(succeeds("forecast", *jugs[:2], "--json"))[1]["stock_l"] == 2.0


def by_hand_rows(config: Path) -> list[EntryRow]:
    from bridge.history.reader import Reader

    with Reader(config.with_name("clearwell.db")) as reader:
        return list(reader.events(0, 2**45))


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("sample", "--of", "pitcher", "--took", "3"), "belongs to a shelf"),
        (("sample", "--of", "jugs", "--changed", "early"), "belongs to a purifier"),
        (("sample", "--of", "feed", "--litres", "3"), "kept by hand"),
        (("sample", "--of", "pitcher", "--litres", "-3"), "range"),
        (("sample", "--of", "pitcher", "--litres", "nan"), "must be a number"),
        (("sample", "--of", "pitcher", "--litres", "101 m3"), "range"),
        (("sample", "--of", "pitcher", "--litres", "3 pints"), "one of L, mL, m3, us-gal, ft3"),
        (
            ("sample", "--of", "pitcher", "--litres", "3", "--ppm", "60", "--feed-ppm", "50"),
            "below the reading",
        ),
        (("sample", "--of", "jugs", "--left", "3", "--took", "1"), "--left counts"),
        (("sample", "--of", "barrel", "--litres", "3"), "pitcher, jugs"),
        (("run",), "no [reservoir.<id>]"),
    ],
)
def test_a_refused_entry_gives_one_clear_line_and_status_2(
    config: Path, words: tuple[str, ...], told: str
) -> None:
    done = clearwell(words[0], "--config", config, *words[1:])
    assert done.status == 2
    assert told in done.stderr
    assert not config.with_name("clearwell.db").exists()


@pytest.mark.parametrize(
    ("table", "told"),
    [
        ("[purifier.feed]\n[purifier.feed.cartridge]\nkind = 'distiller'\nscale = 5", "already says what"),
        ("[shelf.pitcher]", "already has this id"),
        ("[purifier.still]", "purifier.still.cartridge: is missing"),
        ("[shelf.bottles]\nprice_per_l = -1", "price_per_l"),
    ],
)
def test_a_contradictory_table_is_refused_by_its_key(config: Path, table: str, told: str) -> None:
    from bridge.config.loading import load
    from bridge.errors import InputError

    config.write_text(f"{CONFIG}\n{table}\n", encoding="utf-8")
    with pytest.raises(InputError, match=told):
        load(config, {})
