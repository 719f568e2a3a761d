"""Cartridges: ratings in the units of the trade, and the end of each cartridge."""

import math
import statistics
from datetime import UTC, datetime

import pytest

from bridge.errors import InputError
from bridge.purifier import cartridge
from bridge.purifier.cartridge import (
    ION_MIX_SD,
    Cartridge,
    Fate,
    Kind,
    RatedGrains,
    RatedGrams,
    RatedLitres,
    RatedResin,
    equivalent_weight_on_scale,
    litres_on_feed,
    rated_grams,
    rating_sd_on_scale,
)
from bridge.units import CONCENTRATION, LITRES_PER_US_GALLON, MASS, VOLUME
from tests.water.conftest import PHREEQC_IONS, phreeqc_us_cm, rows

FITTED = datetime(2025, 3, 1, tzinfo=UTC)


def test_one_grain_per_us_gallon_is_17_118_ppm() -> None:
    # Exact by definition: 64.79891 mg in a grain, 3.785411784 L in a US gallon.
    assert CONCENTRATION.read("1 gpg") == pytest.approx(17.118, abs=0.0005)
    assert VOLUME.read("1 us-gal") == 3.785411784
    assert MASS.read("1 grain") == pytest.approx(0.06479891, rel=1e-12)


def test_twenty_cubic_feet_of_10000_grains_each_treat_8000_us_gallons_of_25_grains_per_gallon() -> None:
    # Worked example: common practice, no source.
    capacity = rated_grams(RatedGrains(20.0 * 10_000.0))
    litres = litres_on_feed(capacity, CONCENTRATION.read("25 gpg"))
    assert litres / LITRES_PER_US_GALLON == pytest.approx(8000.0, rel=1e-9)


def test_a_rating_of_litres_at_a_ppm_treats_fewer_litres_of_a_harder_feed_in_proportion() -> None:
    # Common practice, no source: about 45 to 50 US gallons of 80 to 110 ppm, fewer in proportion if harder.
    capacity = rated_grams(RatedLitres(VOLUME.read("47.5 us-gal"), 95.0))
    assert litres_on_feed(capacity, 95.0) == pytest.approx(VOLUME.read("47.5 us-gal"))
    assert litres_on_feed(capacity, 285.0) == pytest.approx(VOLUME.read("47.5 us-gal") / 3.0)


def test_a_rating_in_equivalents_follows_the_scale() -> None:
    # Ten tap waters (tests/water/tap_waters.csv): conductivity at 25 °C, by PHREEQC, for each meq/L.
    each = []
    for row in rows("tap_waters.csv"):
        mmol_l = {ion: float(row[ion]) / molar_mass for ion, (_, molar_mass, _) in PHREEQC_IONS.items()}
        charges = sum(mmol_l[ion] * charge for ion, (_, _, charge) in PHREEQC_IONS.items())
        each.append(phreeqc_us_cm(mmol_l) / (0.5 * charges))
    for factor in (0.5, 0.7):
        grams = [factor * us_cm for us_cm in each]
        assert equivalent_weight_on_scale(factor) == pytest.approx(statistics.mean(grams), rel=0.03)
        assert statistics.stdev(grams) / statistics.mean(grams) <= ION_MIX_SD
    resin, grains = RatedResin(10.0, 0.5), RatedGrains(1000.0)
    for rating in (resin, grains):
        on_half, on_seven = (rated_grams(rating, equivalent_weight_on_scale(f)) for f in (0.5, 0.7))
        assert on_seven / on_half == pytest.approx(1.4)
        assert rating_sd_on_scale(rating, 0.2) == pytest.approx(math.hypot(0.2, ION_MIX_SD))
    assert rating_sd_on_scale(RatedGrams(30.0), 0.2) == 0.2
    assert rating_sd_on_scale(None, 0.2) == 0.2


def test_resin_and_grams_ratings_are_on_the_scale_of_their_equivalent_weight() -> None:
    assert rated_grams(RatedResin(2.0, 0.5)) == pytest.approx(50.04)
    assert rated_grams(RatedResin(2.0, 0.5), equivalent_weight_g=60.0) == pytest.approx(60.0)
    assert rated_grams(RatedGrams(33.0)) == 33.0


def test_a_cartridge_with_a_negative_price_or_a_fate_without_its_date_is_refused() -> None:
    with pytest.raises(InputError, match="price -1"):
        Cartridge("pitcher", Kind.EXCHANGE, RatedGrams(20.0), -1.0, FITTED)
    with pytest.raises(InputError, match="exhausted"):
        Cartridge("pitcher", Kind.EXCHANGE, None, 15.0, FITTED, fate=Fate.EXHAUSTED)
    early = datetime(2024, 1, 1, tzinfo=UTC)
    with pytest.raises(InputError, match="before it was fitted"):
        Cartridge("pitcher", Kind.EXCHANGE, None, 15.0, FITTED, removed=early, fate=Fate.EXHAUSTED)


@pytest.mark.parametrize("unit", ["furlong", "", "gal"])
def test_an_unknown_unit_is_refused_with_a_list_of_the_units(unit: str) -> None:
    with pytest.raises(InputError, match="us-gal"):
        VOLUME.unit(unit)


@pytest.mark.parametrize("rating", [RatedLitres(0.0, 95.0), RatedGrains(-3.0), RatedResin(1.0, float("nan"))])
def test_a_rating_that_is_not_above_zero_is_refused(rating: RatedLitres | RatedGrains | RatedResin) -> None:
    with pytest.raises(InputError, match="above zero"):
        rated_grams(rating)


def test_a_distiller_is_descaled_after_its_boiled_volume() -> None:
    assert cartridge.scale_g(100.0, 250.0) == pytest.approx(25.0)
    assert cartridge.litres_to_descaling(60.0, 250.0, allowed_g=25.0) == pytest.approx(40.0)
    assert cartridge.litres_to_descaling(200.0, 250.0, allowed_g=25.0) == 0.0
