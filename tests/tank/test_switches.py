"""Float switches: debounce and contradiction."""

from itertools import product

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.tank.level import UNKNOWN, SwitchState, contradict, debounce


def feed(contacts: str, state: SwitchState = UNKNOWN, **delays: float) -> list[bool | None]:
    """Feeds one contact each second: w(et), d(ry) or ? for no value. Returns the debounced values."""
    seen = []
    for second, contact in enumerate(contacts):
        state = debounce(state, {"w": True, "d": False, "?": None}[contact], float(second), **delays)
        seen.append(state.wet)
    return seen


def test_a_switch_changes_after_its_delay() -> None:
    assert feed("dddwww") == [None, None, False, False, False, True]


def test_a_chattering_switch_keeps_its_old_value() -> None:
    assert feed("dddwdwdwdwd")[2:] == [False] * 9


def test_without_a_wet_delay_a_wet_contact_counts_at_once_and_a_dry_one_waits() -> None:
    assert feed("dddwdddd", wet_after_s=0.0, dry_after_s=3.0)[3:] == [True, True, True, True, False]


def test_a_switch_without_a_value_is_not_remembered() -> None:
    assert feed("www?www") == [None, None, True, None, None, None, True]


@given(st.lists(st.tuples(st.sampled_from([True, False, None]), st.floats(0.0, 3.0)), max_size=40))
def test_a_value_changes_only_after_a_constant_contact_for_the_whole_delay(
    steps: list[tuple[bool | None, float]],
) -> None:
    state, now = UNKNOWN, 0.0
    shown: bool | None = None
    shown_since = 0.0
    for raw, wait_s in steps:
        now += wait_s
        if raw is not shown:
            shown, shown_since = raw, now
        before = state.wet
        state = debounce(state, raw, now)
        if raw is None:
            assert state.wet is None
        elif now - shown_since >= 2.0:
            assert state.wet is raw
        else:
            assert state.wet is before


def test_only_impossible_combinations_of_switches_contradict() -> None:
    possible = {(False, False, False), (True, False, False), (True, True, False), (True, True, True)}
    for low, full, overflow in product((True, False), repeat=3):
        assert contradict(low, full, overflow) is ((low, full, overflow) not in possible)


@pytest.mark.parametrize(
    ("low", "full", "overflow", "wrong"),
    [
        (None, True, None, False),
        (None, None, True, False),
        (False, None, True, True),
        (None, False, True, True),
        (False, True, None, True),
        (None, None, None, False),
    ],
)
def test_a_switch_that_is_not_fitted_contradicts_nothing(
    low: bool | None, full: bool | None, overflow: bool | None, wrong: bool
) -> None:
    assert contradict(low, full, overflow) is wrong
