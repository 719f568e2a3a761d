"""One table of units: exact factors, the ways to write a quantity, and its display."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.errors import InputError
from bridge.units import (
    CONCENTRATION,
    CONDUCTIVITY,
    MASS,
    TEMPERATURE,
    VOLUME,
    DisplayUnits,
    TemperatureUnit,
    Unit,
    VolumeUnit,
)

DIMENSIONS = (VOLUME, CONCENTRATION, MASS, TEMPERATURE, CONDUCTIVITY)
UNITS = [pytest.param(unit, id=unit.plain) for dimension in DIMENSIONS for unit in dimension.units]


@pytest.mark.parametrize(
    ("read", "expected"),
    [
        # NIST Special Publication 811 (2008), appendix B
        (VOLUME.read("1 us-gal"), 231 * 0.0254**3 * 1000),
        (VOLUME.read("1 ft3"), 0.3048**3 * 1000),
        (MASS.read("1 grain"), 0.06479891),
        (TEMPERATURE.read("212 F"), 100.0),
        (TEMPERATURE.read("-40°F"), -40.0),
        (VOLUME.read("2 m3"), 2000.0),
        (VOLUME.read("250mL"), 0.25),
        (CONCENTRATION.read("100"), 100.0),
    ],
)
def test_a_quantity_is_converted_by_the_published_factor(read: float, expected: float) -> None:
    assert read == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize("written", ["1 US gal", "1 us-gal", "1us-gal", "1  US  GAL", " 1 us-gal "])
def test_case_spaces_and_hyphens_do_not_matter(written: str) -> None:
    assert VOLUME.parse(written)[1].symbol == "US gal"


@pytest.mark.parametrize("sign", ["u", "\u00b5", "\u03bc"])
def test_the_micro_sign_the_greek_letter_and_a_plain_u_are_one_unit(sign: str) -> None:
    assert CONDUCTIVITY.parse(f"5 {sign}S/cm")[1].symbol == "µS/cm"


@pytest.mark.parametrize("unit", UNITS)
@given(number=st.floats(-1e6, 1e6))
def test_there_and_back_is_the_same_number(unit: Unit, number: float) -> None:
    assert unit.from_base(unit.to_base(number)) == pytest.approx(number, rel=1e-12, abs=1e-9)


@pytest.mark.parametrize("text", ["", "L", "ten L", "nan", "inf L", "1 2 L", "1,5 L", "-"])
def test_text_that_is_not_a_number_with_a_unit_is_refused(text: str) -> None:
    with pytest.raises(InputError):
        VOLUME.read(text)


def test_a_unit_of_another_quantity_is_refused_with_the_right_units() -> None:
    with pytest.raises(
        InputError, match="'ppm' is not a unit of volume; it must be one of L, mL, m3, us-gal"
    ):
        VOLUME.read("5 ppm")


def test_a_displayed_quantity_reads_back_as_the_same_quantity() -> None:
    american = DisplayUnits(VolumeUnit.US_GALLON, TemperatureUnit.FAHRENHEIT)
    assert VOLUME.read(american.litres_as(120.0, ".9g")) == pytest.approx(120.0)
    assert TEMPERATURE.read(american.celsius_as(21.5, ".9g")) == pytest.approx(21.5)
