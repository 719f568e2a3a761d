"""The comparison of the ways to make water, and the assumptions of each number."""

import math
import random
from dataclasses import fields, replace

import pytest

from bridge.errors import InputError
from bridge.sourcing.compare import compare
from bridge.sourcing.cost import Figure, given, over, overtakes_at, plus, times
from bridge.sourcing.ways import (
    Cartridge,
    Distiller,
    Membrane,
    Need,
    Offer,
    Rain,
    Suitability,
    Tariffs,
    Way,
    crossover,
    judge,
)
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
    all_offers = {
        offer.way: offer
        for offer in compare(
            HARD,
            TARIFFS,
            distiller=Distiller(boiling_hours_per_day=24.0),
            cartridge=Cartridge(pouring_hours_per_day=24.0),
        )
    }
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
    assert judge(Figure(50.0, 0.0, "ppm"), HARD) is Suitability.UNSUITABLE
    assert judge(Figure(49.9, 0.0, "ppm"), HARD) is Suitability.MARGINAL
    assert judge(Figure(24.9, 0.0, "ppm"), HARD) is Suitability.SUITABLE
    # The upper end of the 95 % interval decides, not the value.
    assert judge(Figure(24.0, 1.0, "ppm"), HARD) is Suitability.MARGINAL
    assert judge(Figure(46.0, 3.0, "ppm"), HARD) is Suitability.UNSUITABLE
    ranked = compare(HARD, TARIFFS)
    assert ranked[-1].way is Way.TAP
    assert ranked[0].suitability is Suitability.SUITABLE
    assert offers(Need(500.0, 4.0))[Way.MEMBRANE].suitability is Suitability.MARGINAL
    assert offers(Need(900.0, 4.0))[Way.MEMBRANE].suitability is Suitability.UNSUITABLE


def test_a_way_that_cannot_make_enough_is_listed_last() -> None:
    big = compare(Need(300.0, 60.0), TARIFFS, rain=Rain(reliability=0.8, litres_per_day=48.0))
    by_way = {offer.way: offer for offer in big}
    assert not by_way[Way.DISTILLER].enough
    assert not by_way[Way.RAIN].enough
    assert by_way[Way.MEMBRANE].enough
    assert big.index(by_way[Way.MEMBRANE]) < big.index(by_way[Way.RAIN])


HARD_TAP = Need(feed_ppm=320.0, litres_per_day=5.0)
DEAR = Tariffs(water_per_m3=4.20, energy_per_kwh=0.31)


@pytest.mark.parametrize(("litres", "sets"), [(5.0, 1), (50.0, 1), (200.0, 2), (1000.0, 7)])
def test_the_first_choice_for_a_hard_feed_is_a_membrane_with_a_cartridge_at_each_size(
    litres: float, sets: int
) -> None:
    first = compare(replace(HARD_TAP, litres_per_day=litres), DEAR)[0]
    # A membrane lets 5 % of 320 ppm through, 16 ± 10 ppm: its upper end is over the target of 25 ppm, so the
    # cartridge behind it makes the water suitable. One set makes 150 L a day.
    assert (first.way, first.units) == (Way.MEMBRANE_AND_CARTRIDGE, sets)
    assert sets == math.ceil(litres / 150.0)
    # A year: set 150 over 8 years, spare parts 60, holder 30 over 5 years, for each set. A litre: four litres
    # of tap water at 0.0042, and a cartridge of 15 for 47.5 US gallons of 95 ppm, here of 16 ppm.
    a_year = sets * (150.0 / 8.0 + 60.0 + 30.0 / 5.0)
    cartridge_l = 47.5 * 3.785411784 * 95.0 / 16.0
    by_hand = a_year / (365.25 * litres) + 4.0 * 0.0042 + 15.0 / cartridge_l
    assert first.cost_per_l.value == pytest.approx(by_hand, rel=1e-6)
    # Half an hour a month for each set.
    assert first.attended_hours_per_month.value == pytest.approx(0.5 * sets)
    assert first.enough


@pytest.mark.parametrize("feed_ppm", [60.0, 150.0, 320.0, 600.0])
@pytest.mark.parametrize("litres", [1.0, 5.0, 50.0, 200.0, 1000.0, 2500.0])
def test_no_first_choice_asks_for_more_hours_than_the_person_gives(feed_ppm: float, litres: float) -> None:
    for hours in (0.25, 1.0, 3.0):
        need = Need(feed_ppm, litres, hours_per_day=hours)
        first = compare(need, DEAR)[0]
        if first.enough:
            assert first.attended_hours_per_month.value * 12.0 / 365.25 <= hours
    # Pouring 3 minutes a litre: 1000 L a day would take 50 hours of each day.
    poured = {offer.way: offer for offer in compare(Need(feed_ppm, 1000.0), DEAR)}[Way.CARTRIDGE]
    assert poured.attended_hours_per_month.value * 12.0 / 365.25 == pytest.approx(50.0)
    assert not poured.enough


def test_an_hour_of_work_has_its_price_in_every_litre() -> None:
    free, priced = (
        {offer.way: offer for offer in compare(HARD_TAP, replace(DEAR, hour=hour))} for hour in (0.0, 12.0)
    )
    # A pitcher takes 3 minutes of work a litre: 0.05 h x 12. A jug from the shop 0.75 h for 40 L.
    for way, per_l in ((Way.CARTRIDGE, 0.05 * 12.0), (Way.BOUGHT, 0.75 / 40.0 * 12.0), (Way.TAP, 0.0)):
        more = priced[way].cost_per_l.value - free[way].cost_per_l.value
        assert more == pytest.approx(per_l), way


def test_rain_is_enough_only_if_the_lower_end_of_its_interval_is() -> None:
    sure = Rain(reliability=0.995, litres_per_day=4.0, reliability_low=0.991)
    unsure = Rain(reliability=0.995, litres_per_day=4.0, reliability_low=0.985)
    assert offers(rain=sure)[Way.RAIN].enough
    assert not offers(rain=unsure)[Way.RAIN].enough


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
