"""The simulated water: its balance, its repeatability, and its purity."""

from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bridge.errors import OutOfRangeError
from bridge.guard.model import Flow
from bridge.protocol.codec import Decoder, Direction, encode
from bridge.protocol.messages import Close, Lease, Reading
from bridge.rig.faults import parse_fault
from bridge.rig.rig import Rig
from bridge.rig.scenario import (
    DEMO,
    POLYTUNNEL,
    POLYTUNNEL_WITH_DRAIN,
    POLYTUNNEL_WITH_MEMBRANE,
    Barrel,
    Cartridge,
    Membrane,
    Scenario,
)
from bridge.rig.water_path import Purifier, Truth, leak_fraction
from bridge.rig.world import World

DAY_S = 86_400.0


def _balance_of(world: World) -> None:
    """Checks the balance of litres and milligrams."""
    r, p = world.reservoir, world.purifier
    start_l = world.scenario.barrel.start_fraction * r.capacity_l
    start_mg = start_l * world.scenario.barrel.start_ppm
    litres = start_l + r.inflow.litres + r.rain.litres
    litres -= r.drawn.litres + r.evaporated.litres + r.spilled.litres
    assert litres == pytest.approx(r.volume_l, rel=1e-9)
    milligrams = (
        start_mg + r.inflow.milligrams + r.rain.milligrams - r.drawn.milligrams - r.spilled.milligrams
    )
    assert milligrams == pytest.approx(r.mass_mg, rel=1e-9, abs=1e-6)
    product_l = r.inflow.litres + world.drained.litres + world.burst.litres
    assert product_l == pytest.approx(world.flowed_l, rel=1e-9)
    assert world.feed.litres == pytest.approx(product_l + world.concentrate.litres, rel=1e-9)
    kept_mg = p.load_mg + p.removed_with_cartridges_mg + world.concentrate.milligrams
    gone_mg = r.inflow.milligrams + world.drained.milligrams + world.burst.milligrams
    assert world.feed.milligrams == pytest.approx(kept_mg + gone_mg, rel=1e-9, abs=1e-6)


_doings = st.one_of(
    st.tuples(st.just("advance"), st.floats(0.1, 20_000.0)),
    st.tuples(st.just("drive"), st.sampled_from(list(Flow))),
    st.tuples(st.just("draw"), st.floats(0.1, 150.0)),
    st.tuples(st.just("change"), st.none()),
    st.tuples(
        st.just("fault"), st.sampled_from(["hose-burst", "valve-stuck-open", "valve-leaking", "supply-off"])
    ),
)


@settings(max_examples=40, deadline=None)
@given(st.sampled_from([POLYTUNNEL_WITH_DRAIN, POLYTUNNEL_WITH_MEMBRANE]), st.lists(_doings, max_size=15))
def test_litres_and_dissolved_solids_are_conserved_under_any_events(
    scenario: Scenario, doings: list[tuple[str, Any]]
) -> None:
    world = World(scenario, seed=3)
    for doing, what in doings:
        if doing == "advance":
            world.advance(world.time_s + what)
        elif doing == "drive":
            world.drive(what)
        elif doing == "draw":
            world.draw(what)
        elif doing == "change":
            world.change_cartridge()
        else:
            world.inject(parse_fault(f"{what}@{world.time_s + 10.0}+3000"))
    _balance_of(world)
    assert 0.0 <= world.reservoir.volume_l <= world.reservoir.capacity_l


def test_water_over_the_rim_is_counted_as_overflow() -> None:
    world = World(POLYTUNNEL, faults=[parse_fault("valve-stuck-open@0")])
    world.advance(DAY_S)
    assert world.truth().volume_l == pytest.approx(world.reservoir.capacity_l, rel=1e-3)
    assert world.truth().spilled_l > 1000.0
    _balance_of(world)


def test_an_overflow_float_in_series_with_the_valve_stops_the_water_without_software() -> None:
    world = World(replace(POLYTUNNEL, waterings=(), barrel=Barrel(start_fraction=0.94)))
    world.drive(Flow.TO_RESERVOIR)
    world.advance(4 * 3600.0)
    truth = world.truth()
    assert (truth.driven, truth.path, truth.spilled_l) == (Flow.TO_RESERVOIR, Flow.SHUT, 0.0)


def test_no_more_water_is_drawn_than_the_barrel_holds() -> None:
    world = World(replace(POLYTUNNEL, waterings=(), barrel=Barrel(start_fraction=0.05)))
    world.draw(500.0)
    world.advance(3600.0)
    assert world.truth().volume_l == pytest.approx(0.0, abs=0.2)
    assert world.truth().drawn_l == pytest.approx(0.05 * world.reservoir.capacity_l, rel=0.02)
    with pytest.raises(OutOfRangeError):
        world.draw(0.0)


def test_the_use_of_a_summer_day_is_drawn_and_that_of_winter_is_small() -> None:
    summer = World(replace(POLYTUNNEL, start_day=205))
    winter = World(replace(POLYTUNNEL, start_day=22))
    summer.advance(DAY_S)
    winter.advance(DAY_S)
    assert summer.truth().drawn_l == pytest.approx(10.0, rel=0.01)
    assert winter.truth().drawn_l == pytest.approx(1.0, rel=0.05)


def _run_bridge(world: World, days: float, finest: bool) -> tuple[Truth, int, list[bytes]]:
    """Fills between two marks for some days. Returns the true states, the fills, and every received byte."""
    rig = Rig(world)
    decoder = Decoder(Direction.TO_BRIDGE)
    heard: list[bytes] = []
    filling, fills, sequence = False, 0, 0
    while rig.line_s < days * DAY_S:
        step_s = rig.longest_step_s()
        data = rig.advance(rig.line_s + (min(step_s, 4.0) if finest else step_s))
        heard.append(data)
        for event in decoder.feed(data):
            if not isinstance(event, Reading):
                continue
            assert isinstance(event.level_sensor, float)
            if not filling and event.level_sensor < 0.40:
                filling, fills = True, fills + 1
            elif filling and event.level_sensor > 0.50:
                filling = False
                heard.append(rig.receive(encode(Close(sequence % 65536))))
                sequence += 1
        if filling:
            heard.append(rig.receive(encode(Lease(sequence % 65536, Flow.TO_RESERVOIR, 4000))))
            sequence += 1
    return rig.world.truth(), fills, heard


def test_the_same_seed_gives_the_same_bytes() -> None:
    def run(seed: int) -> tuple[Truth, list[bytes]]:
        faults = [parse_fault("link-noise@60000+9000"), parse_fault("probe-noisy@80000")]
        truth, _, heard = _run_bridge(World(POLYTUNNEL, seed, faults), 2.0, finest=False)
        return truth, heard

    first, again, other = run(5), run(5), run(6)
    assert first == again
    assert first[1] != other[1]


def test_a_finer_step_changes_no_outcome() -> None:
    scenario = replace(POLYTUNNEL, start_day=205, barrel=Barrel(start_fraction=0.44))
    coarse, coarse_fills, _ = _run_bridge(World(scenario, 4), 1.0, finest=False)
    fine, fine_fills, _ = _run_bridge(World(scenario, 4), 1.0, finest=True)
    assert coarse_fills == fine_fills == 1
    for name in ("volume_l", "inflow_l", "load_fraction", "evaporated_l", "rain_l", "drawn_l"):
        assert getattr(coarse, name) == pytest.approx(getattr(fine, name), rel=0.02, abs=1e-3), name
    assert coarse.over_limit_l == pytest.approx(fine.over_limit_l, abs=0.1)


def test_steps_are_long_while_idle_and_short_while_water_flows() -> None:
    rig = Rig(World(POLYTUNNEL))
    rig.advance(1.0)
    assert rig.longest_step_s() == 60.0
    assert rig.longest_step_s(600.0) == 600.0
    rig.receive(encode(Lease(1, Flow.TO_RESERVOIR, 4000)))
    assert rig.longest_step_s() <= 1.0
    rig.receive(encode(Close(2)))
    rig.world.draw(5.0)
    assert rig.longest_step_s() <= 1.0


def test_an_exhausted_cartridge_passes_the_feed_within_a_tenth_of_its_life() -> None:
    cartridge = Cartridge(capacity_g=50.0)
    purifier = Purifier(cartridge)
    litres_to_half = 50_000.0 / 320.0
    seen: dict[str, float] = {}
    while purifier.treated_l < 1.3 * litres_to_half:
        purifier.flow(0.1, 320.0, 15.0)
        ppm = purifier.product_ppm(320.0, 15.0)
        for name, mark in (("fresh", 0.5), ("over", 50.0), ("late", 280.0)):
            if ppm >= mark:
                seen.setdefault(name, purifier.treated_l / litres_to_half)
    assert seen["fresh"] > 0.8, "the bed leaks long before its end"
    assert 0.9 < seen["over"] < 1.0
    assert seen["late"] - seen["over"] < 0.15, "the breakthrough is not steep"
    purifier.change_cartridge()
    assert purifier.product_ppm(320.0, 15.0) < 0.5


def test_the_first_product_after_standing_is_bad_and_flow_rinses_it_out() -> None:
    purifier = Purifier(Cartridge())
    assert purifier.product_ppm(320.0, 15.0) < 1.0
    purifier.stand(2 * 3600.0, 320.0)
    after_two_hours = purifier.product_ppm(320.0, 15.0)
    purifier.stand(22 * 3600.0, 320.0)
    after_a_day = purifier.product_ppm(320.0, 15.0)
    assert 5.0 < after_two_hours < after_a_day
    assert after_a_day > 50.0
    for _ in range(20):
        purifier.flow(0.1, 320.0, 15.0)
    assert purifier.product_ppm(320.0, 15.0) < 1.0


@pytest.mark.parametrize("step_l", [0.01, 0.05, 0.25])
def test_the_salt_in_standing_water_does_not_depend_on_the_step(step_l: float) -> None:
    cartridge = Cartridge(floor_ppm=0.0)
    purifier = Purifier(cartridge)
    purifier.stand(30 * DAY_S, 320.0)
    washed_mg = sum(purifier.flow(step_l, 320.0, 15.0).product_mg for _ in range(round(10.0 / step_l)))
    assert washed_mg == pytest.approx(cartridge.standing_ppm * cartridge.hold_up_l, rel=1e-6)


def test_a_membrane_passes_more_when_warm_and_after_standing() -> None:
    purifier = Purifier(Cartridge(capacity_g=1e-3, standing_ppm=0.0), Membrane())
    purifier.flow(5.0, 320.0, 25.0)  # The tiny bed is exhausted, so the product is that of the membrane.
    assert purifier.product_ppm(320.0, 25.0) == pytest.approx(16.0, rel=0.01)
    assert purifier.product_ppm(320.0, 10.0) < purifier.product_ppm(320.0, 30.0)
    purifier.stand(DAY_S, 320.0)
    assert purifier.product_ppm(320.0, 25.0) > 150.0
    for _ in range(60):
        purifier.flow(0.1, 320.0, 25.0)
    assert purifier.product_ppm(320.0, 25.0) == pytest.approx(16.0, rel=0.02)


@given(st.floats(0.0, 3.0), st.floats(0.001, 0.2))
def test_the_front_never_falls_with_a_larger_load(brought: float, width: float) -> None:
    assert 0.0 <= leak_fraction(brought, width) <= leak_fraction(brought + 0.01, width) <= 1.0


def test_water_over_the_limit_is_counted_only_when_it_enters_the_barrel() -> None:
    fault = [parse_fault("purifier-exhausted@0")]
    entered = World(POLYTUNNEL_WITH_DRAIN, faults=fault)
    entered.drive(Flow.TO_RESERVOIR)
    entered.advance(600.0)
    assert entered.truth().over_limit_l == pytest.approx(15.0)
    drained = World(POLYTUNNEL_WITH_DRAIN, faults=fault)
    drained.drive(Flow.TO_DRAIN)
    drained.advance(600.0)
    assert drained.truth().drained_l == pytest.approx(15.0)
    assert drained.truth().over_limit_l == 0.0


def test_the_demo_has_its_cartridge_exhausted_in_the_third_fill() -> None:
    world = World(DEMO)
    world.drive(Flow.TO_RESERVOIR)
    world.advance(60.0)
    while world.truth().product_ppm < 50.0:
        world.advance(world.time_s + 10.0)
    assert 66.0 < world.truth().inflow_l < 95.0


def test_the_climate_of_a_year_is_within_the_range_of_methods_and_plants() -> None:
    world = World(replace(POLYTUNNEL, waterings=()), seed=2)
    coldest, warmest = 99.0, -99.0
    hardest, softest = 0.0, 999.0
    while world.time_s < 365 * DAY_S:
        world.advance(world.time_s + 3 * 3600.0)
        truth = world.truth()
        coldest, warmest = min(coldest, truth.water_c), max(warmest, truth.water_c)
        hardest, softest = max(hardest, truth.feed_ppm), min(softest, truth.feed_ppm)
    assert 1.0 < coldest < 6.0
    assert 22.0 < warmest < 35.0
    assert 20.0 < hardest - softest < 80.0
    truth = world.truth()
    assert truth.rain_l > 5.0
    assert truth.evaporated_l > 5.0


@pytest.mark.parametrize(
    "change",
    [
        {"barrel": Barrel(start_fraction=1.2)},
        {"barrel": Barrel(level_sensor_bottom_fraction=0.9, level_sensor_top_fraction=0.2)},
        {"cartridge": Cartridge(capacity_g=0.0)},
        {"factor": 0.0},
    ],
)
def test_an_impossible_scenario_is_refused_with_its_name(change: dict[str, Any]) -> None:
    with pytest.raises(OutOfRangeError, match="polytunnel"):
        replace(POLYTUNNEL, **change)
