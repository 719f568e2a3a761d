"""The comparison of the ways to make water, and the assumptions of each number."""

import math
import random
from dataclasses import fields

import pytest

from bridge.errors import InputError
from bridge.sourcing.compare import Offer, compare, crossover, judge
from bridge.sourcing.cost import Figure, given, over, overtakes_at, plus, times
from bridge.sourcing.ways import Cartridge, Membrane, Need, Rain, Suitability, Tariffs, Way
from bridge.units import LITRES_PER_US_GALLON

HARD = Need(feed_ppm=300.0, litres_per_day=4.0)
TARIFFS = Tariffs(water_per_m3=2.5, energy_per_kwh=0.30)


def offers(
    need: Need = HARD, cartridge: Cartridge | None = None, rain: Rain | None = None
) -> dict[Way, Offer]:
    return {offer.way: offer for offer in compare(need, TARIFFS, cartridge=cartridge, rain=rain)}


def per_gallon(figure: Figure) -> float:
    return figure.value * LITRES_PER_US_GALLON


def test_at_15_for_a_cartridge_and_20_gallons_from_it_a_gallon_is_under_a_dollar() -> None:
    # common practice, no source
    capacity_g = 20.0 * LITRES_PER_US_GALLON * 0.300
    offer = offers(cartridge=Cartridge(price=15.0, capacity_g=capacity_g))[Way.CARTRIDGE]
    assert 0.75 <= per_gallon(offer.per_l) < 1.00
    assert per_gallon(offer.cost_per_l) < 1.00


def test_bought_distilled_water_costs_1_00_to_1_60_a_gallon_and_is_carried_home() -> None:
    # common practice, no source
    offer = offers()[Way.BOUGHT]
    assert offer.cost_per_l.low * LITRES_PER_US_GALLON == pytest.approx(1.00, abs=0.02)
    assert offer.cost_per_l.high * LITRES_PER_US_GALLON == pytest.approx(1.60, abs=0.02)
    assert offer.journeys_per_month.value == pytest.approx(4.0 * 365.25 / 12 / 40.0)


def test_a_still_takes_4_hours_for_a_gallon_and_a_pitcher_a_quarter_of_an_hour() -> None:
    # common practice, no source
    all_offers = offers()
    assert all_offers[Way.DISTILLER].makes_l_per_day.value == pytest.approx(24.0 / 4.0 * LITRES_PER_US_GALLON)
    assert all_offers[Way.CARTRIDGE].makes_l_per_day.value == pytest.approx(96.0 * LITRES_PER_US_GALLON)
    assert all_offers[Way.DISTILLER].energy_kwh_per_l.value > (2257.0 + 4.19 * 85.0) / 3600.0


def test_a_membrane_suits_the_larger_collection_and_the_cartridge_the_smaller() -> None:
    # common practice, no source
    all_offers = offers()
    turn = crossover(all_offers[Way.CARTRIDGE], all_offers[Way.MEMBRANE])
    assert turn is not None
    assert 0.3 < turn.value < 5.0
    for litres, cheaper, dearer in (
        (0.3 * turn.value, Way.CARTRIDGE, Way.MEMBRANE),
        (3.0 * turn.value, Way.MEMBRANE, Way.CARTRIDGE),
    ):
        there = offers(Need(300.0, litres))
        assert there[cheaper].cost_per_l.value < there[dearer].cost_per_l.value


def test_a_cartridge_gives_fewer_litres_on_a_harder_feed_so_each_costs_more() -> None:
    soft, hard = (offers(Need(ppm, 4.0))[Way.CARTRIDGE].per_l.value for ppm in (95.0, 380.0))
    tap = TARIFFS.water_per_m3 / 1000.0
    assert (hard - tap) == pytest.approx(4.0 * (soft - tap))


def test_behind_a_membrane_a_cartridge_lasts_as_much_longer_as_the_membrane_rejects() -> None:
    alone, behind = (offers()[way] for way in (Way.CARTRIDGE, Way.MEMBRANE_AND_CARTRIDGE))
    resin_alone = alone.per_l.value - 0.0025
    resin_behind = behind.per_l.value - 0.0025 / 0.25
    assert resin_behind == pytest.approx(0.05 * resin_alone)
    assert behind.waste_l_per_l.value == pytest.approx(3.0)
    assert behind.product_ppm.value < offers()[Way.MEMBRANE].product_ppm.value


def test_water_at_the_limit_is_unfit_and_under_the_target_it_is_better() -> None:
    # common practice, no source: at or over 50 ppm unfit for these plants, under 25 ppm better
    assert judge(50.0, HARD) is Suitability.UNSUITABLE
    assert judge(49.9, HARD) is Suitability.MARGINAL
    assert judge(24.9, HARD) is Suitability.SUITABLE
    ranked = compare(HARD, TARIFFS)
    assert ranked[-1].way is Way.TAP
    assert ranked[0].suitability is Suitability.SUITABLE
    assert offers(Need(900.0, 4.0))[Way.MEMBRANE].suitability is Suitability.MARGINAL


def test_a_way_that_cannot_make_enough_is_listed_last() -> None:
    big = compare(Need(300.0, 60.0), TARIFFS, rain=Rain(reliability=0.8, litres_per_day=48.0))
    by_way = {offer.way: offer for offer in big}
    assert not by_way[Way.DISTILLER].enough
    assert not by_way[Way.RAIN].enough
    assert by_way[Way.MEMBRANE].enough
    assert big.index(by_way[Way.MEMBRANE]) < big.index(by_way[Way.RAIN])


def test_every_number_names_its_assumptions() -> None:
    for offer in compare(HARD, TARIFFS, rain=Rain(reliability=0.9, litres_per_day=4.0)):
        for field in fields(offer):
            figure = getattr(offer, field.name)
            if isinstance(figure, Figure):
                assert figure.assumed, f"{offer.way.value}: {field.name}"
    cost = offers()[Way.CARTRIDGE].cost_per_l
    said = "; ".join(map(str, cost.assumed))
    for part in ("feed 300 ppm", "need 4 L/day", "cartridge 15", "cartridge takes up", "tap water"):
        assert part in said


def test_the_spread_of_a_cost_agrees_with_monte_carlo() -> None:
    price = given(15.0, 0.05, "each", "price")
    grams = given(17.0, 0.10, "g", "capacity")
    feed = given(0.3, 0.05, "g/L", "feed")
    water = given(0.01, 0.5, "per L", "water")
    figure = plus("per L", over("per L", times("", price, feed), grams), water)
    rng = random.Random(2)
    drawn = [
        rng.gauss(15.0, 0.75) * rng.gauss(0.3, 0.015) / rng.gauss(17.0, 1.7) + rng.gauss(0.01, 0.005)
        for _ in range(40_000)
    ]
    mean = sum(drawn) / len(drawn)
    sd = math.sqrt(sum((x - mean) ** 2 for x in drawn) / len(drawn))
    assert figure.value == pytest.approx(mean, rel=0.02)
    assert figure.sd == pytest.approx(sd, rel=0.05)


def test_at_the_crossover_two_ways_cost_the_same() -> None:
    a, b = Figure(10.0, 1.0, "per year"), Figure(90.0, 5.0, "per year")
    per_a, per_b = Figure(0.25, 0.02, "per L"), Figure(0.01, 0.001, "per L")
    turn = overtakes_at(a, per_a, b, per_b)
    assert turn is not None
    litres = turn.value * 365.25
    assert 10.0 + 0.25 * litres == pytest.approx(90.0 + 0.01 * litres)
    assert overtakes_at(a, per_b, b, per_a) is None
    never_dearer = overtakes_at(b, per_a, a, per_b)
    assert never_dearer is not None
    assert never_dearer.value == 0.0


def test_negative_prices_and_impossible_needs_are_refused() -> None:
    with pytest.raises(InputError, match="-15"):
        compare(HARD, TARIFFS, cartridge=Cartridge(price=-15.0))
    with pytest.raises(InputError, match="energy"):
        compare(HARD, Tariffs(2.5, -0.3))
    with pytest.raises(InputError, match="litres a day"):
        compare(Need(300.0, 0.0), TARIFFS)
    with pytest.raises(InputError, match="recovery"):
        compare(HARD, TARIFFS, membrane=Membrane(recovery=0.0))
    with pytest.raises(InputError, match="target"):
        compare(Need(300.0, 4.0, limit_ppm=20.0, target_ppm=25.0), TARIFFS)


def test_an_assumption_states_its_uncertainty() -> None:
    (feed,) = given(300.0, 0.1, "ppm", "feed").assumed
    (price,) = given(15.0, 0.0, "each", "cartridge", key="cartridge.price").assumed
    assert str(feed) == "feed 300 ppm ± 10 % (stated by you)"
    assert (str(price), price.key) == ("cartridge 15 each (stated by you)", "cartridge.price")
