"""The forecast on exchange columns simulated by PHREEQC, independently of the model.

Source of the columns: PHREEQC (Parkhurst and Appelo, USGS Techniques and Methods 6-A43) through phreeqpython;
``make_columns.py`` beside this file regenerates ``columns.csv``.
"""

import importlib.util
import math
import random
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from statistics import NormalDist
from types import ModuleType

import pytest

from bridge.purifier.breakthrough import Front, begin, observe
from bridge.purifier.cartridge import Capacity, Evidence, Load, estimate
from bridge.purifier.forecast import Interval, cells_left, from_cells, interval
from bridge.purifier.season import Expected
from tests.purifier.columns import LIMIT_PPM, Column, columns

pytestmark = pytest.mark.slow

HERE = Path(__file__).parent
RATING_SD = 0.20
SCATTER = 0.05


def kind(word: str) -> list[Column]:
    return [column for column in columns() if word in column.name.rsplit("/", 1)[1]]


def draws(count: int, start: int = 0) -> list[float]:
    """Returns evenly spread standard normal deviates (golden-section sequence), the same on every run."""
    golden = (math.sqrt(5.0) - 1.0) / 2.0
    return [NormalDist().inv_cdf((0.5 + golden * (start + k)) % 1.0) for k in range(count)]


COARSE = tuple(k / 40 for k in range(1, 40))
FINE = tuple(sorted({*COARSE, *(0.9 + k / 500 for k in range(50)), 0.9995}))


def follow(column: Column, prior: Capacity, lives: tuple[float, ...]) -> Iterator[tuple[float, Front]]:
    """Returns the front at each of these shares of the column's life."""
    front = begin(prior, LIMIT_PPM)
    last = 0.0
    for share in lives:
        volume = share * column.life_l
        front = observe(front, volume - last, column.feed_ppm, column.product_ppm(volume))
        last = volume
        yield share, front


def crossing(column: Column, share: float, front: Front) -> Interval:
    """Returns the forecast crossing as a share of the true life."""
    left = interval(cells_left(front, Expected(column.feed_ppm, 0.0)))
    values = (left.median, left.low80, left.high80, left.low95, left.high95)
    return Interval(*(share + value / column.life_l for value in values))


@dataclass(frozen=True)
class Score:
    """Counts over many columns and many wrong ratings."""

    covered80: float
    covered95: float
    ordered: list[float]
    late_errors: list[float]


@cache
def first_cartridges(word: str, ratings: int) -> Score:
    inside80 = inside95 = rows = 0
    ordered: list[float] = []
    late: list[float] = []
    deviates = iter(draws(len(kind(word)) * ratings))
    for column in kind(word):
        floor = column.product_ppm(0.0)
        for _ in range(ratings):
            prior = estimate(column.capacity_g * math.exp(RATING_SD * next(deviates)), rating_sd=RATING_SD)
            order = math.inf
            for share, front in follow(column, prior, FINE):
                if math.isinf(order) and ten_per_cent_ahead(column, front):
                    order = share
                if share in COARSE:
                    said = crossing(column, share, front)
                    if 0.30 <= share <= 0.95:
                        rows += 1
                        inside80 += said.low80 <= 1.0 <= said.high80
                        inside95 += said.low95 <= 1.0 <= said.high95
                if front.last_product_ppm > floor + 2.0:
                    late.append(abs(crossing(column, share, front).median - 1.0))
            ordered.append(order)
    return Score(inside80 / rows, inside95 / rows, ordered, late)


def ten_per_cent_ahead(column: Column, front: Front) -> bool:
    """Returns whether an order is due with a lead of a tenth of the life, at one litre a day."""
    cells = cells_left(front, Expected(column.feed_ppm, 0.0))
    return from_cells(cells, Expected(1.0, 0.0), 0.1 * column.life_l, "").order_now


def test_the_columns_agree_with_phreeqc() -> None:
    make = _make_columns()
    column = next(c for c in make.columns() if c.water == "softened" and c.cells == 20)
    fresh = make.record(column)
    kept = [c for c in columns() if c.name == column.name]
    assert len(kept) == 1
    assert [tuple(map(float, line[2:])) for line in fresh] == pytest.approx(
        [pytest.approx(knot, rel=1e-3, abs=2e-3) for knot in kept[0].knots]
    )
    assert float(fresh[0][1]) == pytest.approx(kept[0].feed_ppm, rel=1e-4)


def _make_columns() -> ModuleType:
    spec = importlib.util.spec_from_file_location("make_columns", HERE / "make_columns.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


def test_the_columns_span_twelve_waters_soft_to_very_hard_and_stay_pure_to_97_per_cent_of_life() -> None:
    assert len({column.name.split("/")[0] for column in kind("plug")}) >= 12
    assert min(column.feed_ppm for column in columns()) < 80.0
    assert max(column.feed_ppm for column in columns()) > 500.0
    for column in kind("plug"):
        assert column.product_ppm(0.97 * column.life_l) < 0.5


def test_with_ratings_20_per_cent_wrong_the_80_per_cent_interval_covers_70_to_90_per_cent_of_rows() -> None:
    score = first_cartridges("plug", 2)
    assert 0.70 <= score.covered80 <= 0.90
    assert score.covered95 >= 0.90


def test_a_first_cartridge_is_ordered_before_its_crossing_in_95_per_cent_of_columns() -> None:
    ordered = first_cartridges("plug", 2).ordered
    assert sum(share < 1.0 for share in ordered) >= 0.95 * len(ordered)


def test_wider_fronts_and_shelves_keep_the_coverage_and_warn_earlier() -> None:
    for word in ("film", "acid"):
        score = first_cartridges(word, 3)
        assert 0.70 <= score.covered80 <= 0.92, word
        assert sum(share < 1.0 for share in score.ordered) >= 0.95 * len(score.ordered)
    for column in kind("film"):
        seen = [share for share, front in follow(column, estimate(column.capacity_g), COARSE) if front.risen]
        assert seen[0] < 0.75, column.name


def test_once_the_product_is_2_ppm_above_its_floor_the_median_is_within_2_per_cent_of_life() -> None:
    errors = first_cartridges("plug", 2).late_errors
    assert len(errors) > 200
    assert sum(errors) / len(errors) < 0.005
    assert sum(error < 0.02 for error in errors) >= 0.98 * len(errors)
    assert max(errors) < 0.055
    # A shelf of carbonic acid lasts up to 6 % of the life and at first looks like the front.
    errors = first_cartridges("acid", 3).late_errors
    assert sum(errors) / len(errors) < 0.03
    assert max(errors) < 0.065


def test_one_earlier_cartridge_brings_the_median_within_6_per_cent_from_a_tenth_of_life_on() -> None:
    errors: list[float] = []
    chosen = kind("plug")[::2]
    wrong = iter(draws(len(chosen)))
    other = iter(draws(len(chosen), 400))
    for column in chosen:
        rating = column.capacity_g * math.exp(RATING_SD * next(wrong))
        earlier = column.capacity_g * math.exp(SCATTER * next(other))
        prior = estimate(rating, [Evidence(earlier, exhausted=True)], RATING_SD)
        for share, front in follow(column, prior, COARSE):
            if share >= 0.1:
                errors.append(abs(crossing(column, share, front).median - 1.0))
    assert sum(errors) / len(errors) < 0.06
    assert sum(error < 0.06 for error in errors) > 0.70 * len(errors)


def test_the_third_cartridge_is_there_in_time_and_typically_ordered_after_75_per_cent_of_life() -> None:
    ordered: list[float] = []
    rng = random.Random(3)
    for column in kind("plug"):
        rating = column.capacity_g * math.exp(rng.gauss(0.0, RATING_SD))
        book = [Evidence(column.capacity_g * math.exp(rng.gauss(0.0, SCATTER)), True) for _ in range(2)]
        order = math.inf
        for share, front in follow(
            column, estimate(rating, book, RATING_SD), (*COARSE[24:29], 0.745, *COARSE[29:])
        ):
            if ten_per_cent_ahead(column, front):
                order = share
                break
        ordered.append(order)
    # The delivery takes a tenth of the life: ordered by 0.9, it is there in time. A row is a fortieth.
    assert sum(share <= 0.9 for share in ordered) >= 0.95 * len(ordered)
    assert sorted(ordered)[len(ordered) // 2] >= 0.75
    assert min(ordered) >= 0.65


def test_the_forecast_ends_at_the_load_at_which_the_product_crosses_the_limit() -> None:
    column = kind("plug")[0]
    *_, (_, front) = follow(column, estimate(column.capacity_g), (*FINE, 1.0005))
    assert front.crossed is not None
    assert front.crossed.treated_l == pytest.approx(column.life_l, rel=1e-3)
    assert front.crossed.taken_up_g == pytest.approx(column.capacity_g, rel=5e-3)
    assert isinstance(front.load, Load)
    assert interval(cells_left(front, Expected(column.feed_ppm, 0.0))).high95 == 0.0
