"""Depth and volume of every tank shape."""

import math
from collections.abc import Callable
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.interpolate import PchipInterpolator

from bridge.errors import InputError, OutOfRangeError
from bridge.tank.shapes import (
    Box,
    HorizontalCylinder,
    Shape,
    StrappingTable,
    TaperedBarrel,
    UprightCylinder,
)

METRES = st.floats(0.05, 4.0)
SHARES = st.floats(0.0, 1.0)


@st.composite
def tables(draw: st.DrawFn, rows: int = 1) -> StrappingTable:
    steps = draw(st.lists(st.tuples(st.floats(0.02, 0.2), st.floats(3.0, 30.0)), min_size=rows, max_size=12))
    points = [(0.0, 0.0)]
    for depth, volume in steps:
        points.append((points[-1][0] + depth, points[-1][1] + volume))
    return StrappingTable(tuple(points))


SHAPES: st.SearchStrategy[Shape] = st.one_of(
    st.builds(UprightCylinder, METRES, METRES),
    st.builds(HorizontalCylinder, METRES, METRES),
    st.builds(Box, METRES, METRES, METRES),
    st.builds(TaperedBarrel, METRES, METRES, METRES),
    tables(),
)


def surface_of_lying_cylinder(depth_m: float) -> float:
    return 1.2 * 2.0 * math.sqrt(max(0.3**2 - (depth_m - 0.3) ** 2, 0.0))


def surface_of_barrel(depth_m: float) -> float:
    return math.pi / 4.0 * (0.50 + (0.62 - 0.50) * depth_m / 0.9) ** 2


def surface_of_bucket_upside_down(depth_m: float) -> float:
    return math.pi / 4.0 * (0.62 + (0.31 - 0.62) * depth_m / 0.9) ** 2


@pytest.mark.parametrize(
    ("kind", "dimensions", "surface_m2"),
    [
        (UprightCylinder, (0.58, 0.9), lambda _: math.pi / 4.0 * 0.58**2),
        (Box, (1.2, 0.8, 0.7), lambda _: 1.2 * 0.8),
        (HorizontalCylinder, (0.6, 1.2), surface_of_lying_cylinder),
        (TaperedBarrel, (0.50, 0.62, 0.9), surface_of_barrel),
        (TaperedBarrel, (0.62, 0.31, 0.9), surface_of_bucket_upside_down),
    ],
)
def test_the_volume_equals_the_integral_of_the_water_surface_over_the_depth(
    kind: Callable[..., Shape], dimensions: tuple[float, ...], surface_m2: Callable[[float], float]
) -> None:
    """Outside reference: numerical integration by scipy (QUADPACK)."""
    shape = kind(*dimensions)
    for share in np.linspace(0.02, 1.0, 50):
        depth_m = float(share) * shape.height_m
        integral_l = 1000.0 * quad(surface_m2, 0.0, depth_m, epsabs=1e-12)[0]
        assert shape.volume_l(depth_m) == pytest.approx(integral_l, rel=1e-6)
    assert shape.volume_l(shape.height_m) == pytest.approx(shape.capacity_l, rel=1e-15)


def test_a_lying_tank_strapped_every_two_centimetres_is_within_a_thousandth_of_its_capacity_everywhere() -> (
    None
):
    true = HorizontalCylinder(0.6, 1.2)
    depths = [0.02 * i for i in range(30)] + [0.6]
    table = StrappingTable(tuple((depth, true.volume_l(depth)) for depth in depths))
    worst_l = max(abs(table.volume_l(d) - true.volume_l(d)) for d in np.linspace(0.0, 0.6, 601))
    assert worst_l < 0.001 * true.capacity_l


@given(SHAPES, SHARES)
def test_depth_to_volume_and_back_is_the_same_depth(shape: Shape, share: float) -> None:
    depth_m = share * shape.height_m
    assert shape.depth_m(shape.volume_l(depth_m)) == pytest.approx(
        depth_m, abs=1e-9 * max(1.0, shape.height_m)
    )


@given(SHAPES, SHARES)
def test_volume_to_depth_and_back_is_the_same_volume(shape: Shape, share: float) -> None:
    volume_l = share * shape.capacity_l
    assert shape.volume_l(shape.depth_m(volume_l)) == pytest.approx(volume_l, abs=1e-9 * shape.capacity_l)


@given(SHAPES, st.lists(SHARES, min_size=2, max_size=8))
def test_more_depth_is_never_less_water(shape: Shape, shares: list[float]) -> None:
    volumes = [shape.volume_l(share * shape.height_m) for share in sorted(shares)]
    for lower, upper in pairwise(volumes):
        assert upper >= lower - 1e-12 * shape.capacity_l


@given(SHAPES)
def test_empty_and_brim_full_are_exact_ends(shape: Shape) -> None:
    assert shape.volume_l(0.0) == 0.0
    assert shape.depth_m(0.0) == 0.0
    assert shape.volume_l(shape.height_m) == shape.capacity_l
    assert shape.depth_m(shape.capacity_l) == pytest.approx(shape.height_m, rel=1e-12)


@given(tables())
def test_a_strapping_table_is_exact_at_the_points_its_owner_measured(table: StrappingTable) -> None:
    for depth_m, volume_l in table.points:
        assert table.volume_l(depth_m) == volume_l
        assert table.depth_m(volume_l) == depth_m


@given(tables(rows=2), SHARES)
def test_the_curve_between_the_points_is_the_published_monotone_one(
    table: StrappingTable, share: float
) -> None:
    """Outside reference: scipy's PchipInterpolator (Fritsch-Butland slopes). At an end it allows no slope."""
    depths, volumes = zip(*table.points, strict=True)
    published = PchipInterpolator(depths, volumes)
    secants = np.diff(volumes) / np.diff(depths)
    steep = [float(published(at, 1)) > 0.01 * secants[end] for at, end in ((depths[0], 0), (depths[-1], -1))]
    low_m, high_m = depths[0 if steep[0] else 1], depths[-1 if steep[1] else -2]
    depth_m = low_m + share * (high_m - low_m)
    assert table.volume_l(depth_m) == pytest.approx(float(published(depth_m)), abs=1e-9)


def test_a_table_that_flattens_towards_an_end_still_rises_there() -> None:
    for points in (
        ((0.0, 0.0), (0.1, 1.0), (0.2, 21.0)),
        ((0.0, 0.0), (0.1, 20.0), (0.2, 21.0)),
    ):
        table = StrappingTable(points)
        volumes = [table.volume_l(0.001 * step) for step in range(201)]
        assert all(b > a for a, b in pairwise(volumes))


@pytest.mark.parametrize("height_m", [0.5, 1.0, 4.0])
def test_a_value_beyond_an_end_by_rounding_counts_as_the_end(height_m: float) -> None:
    box = Box(1.0, 1.0, height_m)
    assert box.volume_l(height_m * (1.0 + 9e-10)) == box.capacity_l
    assert box.volume_l(-9e-10 * height_m) == 0.0
    assert box.depth_m(1000.0 * height_m * (1.0 + 9e-10)) == height_m
    # A thousand-millionth itself is still rounding.
    assert box.volume_l(height_m * (1.0 + 1e-9)) == box.capacity_l
    assert box.volume_l(-1e-9 * height_m) == 0.0
    for depth_m in (height_m * (1.0 + 1.1e-9), -1.1e-9 * height_m):
        with pytest.raises(OutOfRangeError, match=f"holds 0 to {height_m:g} m"):
            box.volume_l(depth_m)


@given(SHAPES, st.sampled_from([-0.01, 1.01, math.nan, math.inf, -math.inf]))
def test_a_depth_or_volume_outside_the_tank_is_refused(shape: Shape, share: float) -> None:
    with pytest.raises(OutOfRangeError, match="the depth is"):
        shape.volume_l(share * shape.height_m)
    with pytest.raises(OutOfRangeError, match="the volume is"):
        shape.depth_m(share * shape.capacity_l)


@pytest.mark.parametrize("wrong", [0.0, -0.3, math.nan, math.inf])
def test_a_dimension_that_is_not_above_zero_is_refused_by_name(wrong: float) -> None:
    sound = {
        UprightCylinder: {"diameter_m": 0.6, "height_m": 1.0},
        HorizontalCylinder: {"diameter_m": 0.6, "length_m": 1.0},
        Box: {"length_m": 1.0, "width_m": 0.5, "height_m": 0.7},
        TaperedBarrel: {"bottom_diameter_m": 0.5, "top_diameter_m": 0.6, "height_m": 0.9},
    }
    for kind, dimensions in sound.items():
        for name in dimensions:
            words = name.removesuffix("_m").replace("_", " ")
            with pytest.raises(OutOfRangeError, match=f"the {words} is"):
                kind(**{**dimensions, name: wrong})


@pytest.mark.parametrize(
    ("points", "says"),
    [
        (((0.0, 0.0),), "at least one more"),
        (((0.1, 5.0), (0.2, 9.0)), "row 1"),
        (((0.0, 0.0), (0.2, 9.0), (0.2, 12.0)), "row 3"),
        (((0.0, 0.0), (0.2, 9.0), (0.3, 8.0)), "row 3"),
        (((0.0, 0.0), (0.2, 9.0), (0.3, 9.0)), "row 3"),
        (((0.0, 0.0), (0.2, math.nan)), "row 2"),
    ],
)
def test_a_strapping_table_that_no_tank_can_have_is_refused_by_row(
    points: tuple[tuple[float, float], ...], says: str
) -> None:
    with pytest.raises(InputError, match=says):
        StrappingTable(points)
