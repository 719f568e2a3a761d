"""The adversary finds a guard that lacks a permissive, and prints what it found as code.

``CLEARWELL_SEARCH=SECONDS`` searches for so long for each permissive that is taken out; without it, only one
search runs, for a number of plots and not for a time.
"""

import os
import time

import pytest

from bridge.guard.model import Permissive
from bridge.simulate.scenes.search import KINDS, Move, Plot, play, search, story
from tests.simulate.test_broken_guard import MUTANTS, without_permissive

SECONDS = float(os.environ.get("CLEARWELL_SEARCH", "0"))


def test_a_plot_does_the_same_harm_each_time() -> None:
    plot = Plot("no drain", (Move("purifier-exhausted", 60.0, 300.0),))
    harm = play(plot)
    assert harm == play(plot)
    assert harm.over_limit_l > play(Plot("no drain", ())).over_limit_l
    assert harm.violations == ()


@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_of_move_becomes_one_event(kind: str) -> None:
    event = Move(kind, 30.0).event()
    assert event.at_s == 30.0
    assert [event.fault, event.happening, event.command].count(None) == 2


@pytest.mark.slow
def test_a_guard_without_a_fresh_link_is_found_out_and_the_plot_is_shrunk(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    without_permissive(monkeypatch, Permissive.LINK_FRESH)
    find = search(1, lambda plays: plays < 150)
    assert find.harm.violations
    assert len(find.plot.moves) <= 2
    text = story(find)
    assert f"# violation: {find.harm.violations[0]}." in text
    # The story is code, and does again what it says.
    code = "\n".join(line for line in text.splitlines() if not line.startswith("#"))
    assert eval(code, {"play": play, "Plot": Plot, "Move": Move}) == find.harm


@pytest.mark.slow
@pytest.mark.skipif(not SECONDS, reason="CLEARWELL_SEARCH gives the seconds for each search")
@pytest.mark.parametrize("permissive", MUTANTS, ids=lambda one: one.value)
def test_a_guard_without_any_permissive_is_found_out(
    permissive: Permissive, monkeypatch: pytest.MonkeyPatch
) -> None:
    without_permissive(monkeypatch, permissive)
    MUTANTS[permissive].covered_by(monkeypatch)
    ends = time.monotonic() + SECONDS
    assert search(1, lambda plays: time.monotonic() < ends).harm.violations
