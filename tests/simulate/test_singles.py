"""Each fault alone has its own price, within a bound that follows from the plan, and so has each pair."""

import gc
import os
import random
from collections import deque
from dataclasses import replace
from enum import Enum
from pathlib import Path
from types import BuiltinFunctionType, FunctionType, MethodType, ModuleType

import pytest

import bridge
from bridge.rig.faults import FaultName
from bridge.simulate.scenes import trial
from bridge.simulate.scenes.bounds import UNCOVERED, Bound, bounds, excuse
from bridge.simulate.scenes.scene import ALL_OPTIONS, FULL, SCENES, Option, Scene, baseline, outfit
from bridge.simulate.scenes.table import (
    PAIR_SCENES,
    table_of_options,
    table_of_singles,
    uncovered_lines,
    violations_of,
)
from bridge.simulate.scenes.trial import (
    Finding,
    Trial,
    When,
    finish,
    fitted,
    pair,
    pairs_with,
    single,
    singles_in,
    together_in,
)

BARE = frozenset[Option]()
MANUAL = Path(bridge.__file__).parent / "manual"


def scene(name: str) -> Scene:
    return next(one for one in SCENES if one.name == name)


def assert_same_verdict(short: Finding, thorough: Finding) -> None:
    """Compare two findings. Times that were added in another order may differ by the shortest step, 1 ms."""
    words, numbers = ["scene", "faults", "when", "violations"], ["over_limit_l", "spilled_l", "floor_l"]
    if short.noticed_by is not None or not short.when:
        # A steady fill with two faults is not watched until the notice: it has no bound.
        words.append("noticed_by")
        numbers.append("noticed_s")
    assert [getattr(short, name) for name in words] == [getattr(thorough, name) for name in words]
    for name in numbers:
        assert getattr(short, name) == pytest.approx(getattr(thorough, name), abs=0.002), (short, thorough)


def test_a_fault_is_noticed_by_its_sign_and_costs_only_its_own_litres() -> None:
    found = single(scene("fill"), FaultName.PURIFIER_EXHAUSTED, ALL_OPTIONS)
    assert found.violations == []
    assert found.noticed_by == "product-over-limit"
    assert found.noticed_s is not None
    assert found.noticed_s <= 2.0
    assert 0.0 < found.over_limit_l < 0.1


def test_the_litres_of_the_scene_itself_are_not_the_fault_s() -> None:
    rinse = scene("rinse to reservoir")
    alone = baseline(rinse, fitted(rinse)).litres_at(100.0)[0]
    assert alone > 0.1, "the standing water of this scene is over the limit, and no drain is fitted"
    assert single(rinse, FaultName.FEED_PROBE_DRY, fitted(rinse)).over_limit_l < 0.05


def test_a_drain_valve_saves_the_litres_of_the_rinse() -> None:
    rinse = scene("rinse to drain")
    without = single(rinse, FaultName.PURIFIER_EXHAUSTED, BARE)
    with_it = single(rinse, FaultName.PURIFIER_EXHAUSTED, frozenset({Option.DRAIN_VALVE}))
    assert without.over_limit_l > 2.0
    assert with_it.over_limit_l == 0.0
    table = table_of_options({"none": [without], Option.DRAIN_VALVE.value: [with_it]})
    assert "with drain-valve" in table
    assert "| purifier-exhausted |" in table


def test_a_check_cell_saves_the_litres_that_a_stuck_product_cell_hides() -> None:
    both = [(FaultName.PROBE_STUCK, FaultName.PURIFIER_EXHAUSTED)]
    (without,) = together_in(scene("fill"), both, BARE)
    (with_it,) = together_in(scene("fill"), both, frozenset({Option.CHECK_CELL}))
    assert without.over_limit_l > 5.0
    assert with_it.over_limit_l < 0.2
    assert with_it.violations == without.violations == []


def test_an_overflow_float_saves_the_litres_over_the_rim() -> None:
    without = single(FULL, FaultName.FLOAT_STUCK, BARE)
    with_it = single(FULL, FaultName.FLOAT_STUCK, frozenset({Option.OVERFLOW_IN_SERIES}))
    assert without.violations == with_it.violations == []
    assert without.spilled_l > 1.0
    assert (with_it.spilled_l, with_it.noticed_by) == (0.0, "overflow")


def test_a_bridge_that_dies_leaves_the_valve_open_for_a_lease_and_no_longer() -> None:
    for name in ("just before bridge dies", "at bridge dies"):
        assert single(scene(name), FaultName.PURIFIER_EXHAUSTED, ALL_OPTIONS).violations == []


def test_a_price_over_its_bound_is_a_violation(monkeypatch: pytest.MonkeyPatch) -> None:
    tight = {name: Bound() for name in FaultName}
    monkeypatch.setattr(trial, "bounds", lambda garden: tight)
    found = single(scene("fill"), FaultName.PURIFIER_EXHAUSTED, ALL_OPTIONS)
    assert ["over_limit_l is 0.0" in one for one in found.violations] == [True]
    assert violations_of([found])[0].startswith("fill: purifier-exhausted: ")


def test_the_table_has_a_row_for_each_fault_with_its_bound() -> None:
    found = [
        Finding("fill", (FaultName.PROBE_DRY,), "", "probe-failure", 11.0),
        Finding("idle", (FaultName.PROBE_DRY,), "", "probe-failure", 13.0, over_limit_l=0.1),
        Finding("idle", (FaultName.VALVE_STUCK_OPEN,), still_l_min=1.5),
    ]
    dry, stuck = table_of_singles(found).splitlines()[2:]
    cells = [cell.strip() for cell in dry.strip("|").split("|")]
    assert cells[:6] == ["probe-dry", "probe-failure", "12", "13", "0 of 2", "0.10"]
    assert "| 1 of 1 " in stuck
    assert "hand valve" in stuck


def test_a_pair_that_is_found_in_a_copy_is_found_without_one() -> None:
    fill = scene("fill")
    first, second = FaultName.PROBE_DRY, FaultName.PURIFIER_EXHAUSTED
    copied = pairs_with(fill, first, [second], single(fill, first, fitted(fill)).noticed_s)
    assert [one.when for one in copied] == [
        "together",
        "before the notice",
        "at the notice",
        "just after the notice",
        "at the reset",
    ]
    assert violations_of(copied) == []
    for one in copied:
        assert pair(fill, first, second, When(one.when)) == one


def parts_of(one: object, found: dict[int, object]) -> dict[int, object]:
    """Return everything that an object refers to, by its id, without classes and functions."""
    fixed = (type, ModuleType, Enum, FunctionType, BuiltinFunctionType)
    if id(one) not in found and not isinstance(one, fixed):
        found[id(one)] = one
        for part in gc.get_referents(one):
            parts_of(part, found)
    return found


def changes(one: object) -> bool:
    """Return whether an object can change: a container, or an object that is no value."""
    if isinstance(one, (list, dict, set, deque, random.Random, MethodType)):
        # A partial without keywords has an empty dictionary.
        return not isinstance(one, dict) or bool(one)
    settings = getattr(type(one), "__dataclass_params__", None)
    return type(one).__module__.startswith("bridge.") and not (settings and settings.frozen)


def test_a_copy_of_a_trial_shares_only_what_never_changes() -> None:
    fill = scene("fill")
    original = Trial(fill, fitted(fill))
    original.strike(FaultName.PROBE_DRY)
    original.go_to(original.moment_s + 20.0)
    copy = original.copies().one()
    alone = parts_of(baseline(fill, fitted(fill), False), {})
    mine, its = parts_of(original, dict(alone)), parts_of(copy, dict(alone))
    shared = [one for place, one in mine.items() if place in its and place not in alone]
    assert len(shared) > 100
    assert [one for one in shared if changes(one)] == []
    assert sum(map(changes, its.values())) == sum(map(changes, mine.values())), "the copy is complete"


def test_only_the_named_pairs_may_cost_more_than_their_bounds() -> None:
    liar, worn = FaultName.PROBE_STUCK, FaultName.PURIFIER_EXHAUSTED
    found = pair(scene("fill"), liar, worn, When.TOGETHER)
    table = bounds(outfit(ALL_OPTIONS, 0.6))
    assert found.over_limit_l > table[liar].over_limit_l + table[worn].over_limit_l
    assert found.violations == []
    assert excuse(worn, liar, "over_limit_l") is not None
    assert excuse(worn, liar, "over_limit_l", has_check_cell=True) is None
    assert excuse(FaultName.LINK_CUT, worn, "over_limit_l") is None
    assert all(row.reason for row in UNCOVERED)
    assert "\n".join(uncovered_lines()) in (MANUAL / "campaign.md").read_text("utf-8")


@pytest.mark.slow
def test_short_trials_give_the_verdicts_of_thorough_ones() -> None:
    chance = random.Random("trials")
    for _ in range(int(os.environ.get("CLEARWELL_TRIALS", "12"))):
        one = chance.choice(PAIR_SCENES)
        first, second = chance.sample(tuple(FaultName), 2)
        (alone,) = singles_in(one, [first], fitted(one))
        assert_same_verdict(alone, single(one, first, fitted(one), thorough=True))
        for short in pairs_with(one, first, [second], alone.noticed_s):
            assert_same_verdict(short, pair(one, first, second, When(short.when), thorough=True))


@pytest.mark.parametrize(
    ("first", "second"),
    [
        (FaultName.PROBE_DRY, FaultName.VALVE_STUCK_OPEN),
        (FaultName.SELF_TEST_FAILED, FaultName.VALVE_LEAKING),
        (FaultName.SELF_TEST_FAILED, FaultName.OVERFLOW_FLOAT_DOWN),
        (FaultName.HOSE_BURST, FaultName.OVERFLOW_FLOAT_DOWN),
    ],
)
def test_a_trial_that_ends_early_has_the_litres_of_its_end(first: FaultName, second: FaultName) -> None:
    fill = scene("fill")
    found, ended_s = [], []
    for thorough in (False, True):
        one = Trial(fill, fitted(fill), thorough=thorough)
        one.strike(first)
        found.append(finish(one, second, When.TOGETHER))
        ended_s.append(one.now_s)
    assert_same_verdict(*found)
    assert ended_s[0] < ended_s[1] - 100.0


def test_two_faults_that_begin_together_have_no_order() -> None:
    fill = scene("fill")
    first, second = FaultName.CONTROLLER_RESET, FaultName.PURIFIER_EXHAUSTED
    one = pair(fill, first, second, When.TOGETHER)
    other = pair(fill, second, first, When.TOGETHER)
    assert one == replace(other, faults=(first, second))
    assert pairs_with(fill, second, [first], None)[0].when == When.LATER.value


@pytest.mark.slow
def test_no_fault_alone_breaks_a_rule_in_any_phase() -> None:
    found = [found for one in PAIR_SCENES for found in singles_in(one, tuple(FaultName), fitted(one))]
    assert violations_of(found) == []


@pytest.mark.slow
@pytest.mark.parametrize("name", ["probe-dry", "overflow-float-up"])
def test_the_manual_has_the_row_that_a_run_gives(name: str) -> None:
    found = [found for one in SCENES for found in singles_in(one, [FaultName(name)], fitted(one))]
    assert violations_of(found) == []
    cells = [cell.strip() for cell in table_of_singles(found).splitlines()[2].split("|")]
    page = (MANUAL / "campaign.md").read_text("utf-8")
    rows = [line.split("|") for line in page.splitlines() if line.startswith(f"| {name} ")]
    assert cells in [[cell.strip() for cell in row] for row in rows]
