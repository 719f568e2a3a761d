"""The adversary finds a guard that lacks a permissive, and nothing in the sound one; its find is code.

Here each search runs for a number of plots. ``CLEARWELL_SEARCH=SECONDS`` searches the sound guard for so many
seconds of CPU.
"""

import os
import time

import pytest

from bridge.guard.model import Permissive
from bridge.rig.faults import FaultName
from bridge.simulate import detection
from bridge.simulate.scenes.scene import HURRIED
from bridge.simulate.scenes.search import KINDS, Move, Plot, play, search, story
from bridge.station.board import Board
from tests.simulate.test_broken_guard import MUTANTS, without_permissive

SECONDS = float(os.environ.get("CLEARWELL_SEARCH", "0"))
PLAYS = 250
"""More plots than a search needs for a guard without a permissive; less than a minute of one core."""


def test_a_plot_does_the_same_harm_each_time() -> None:
    plot = Plot("no drain", (Move("purifier-exhausted", 60.0, 300.0),))
    harm = play(plot)
    assert harm == play(plot)
    assert harm.over_limit_l > play(Plot("no drain", ())).over_limit_l
    assert 0.0 < harm.opening_share <= 1.0
    assert harm.violations == ()


@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_of_move_becomes_an_event(kind: str) -> None:
    event, *ends = Move(kind, 30.0, 5.0).events()
    assert event.at_s == 30.0
    assert [event.fault, event.happening, event.command].count(None) == 2
    assert [one.at_s for one in ends] == [35.0] * len(ends)


def test_a_fault_that_grows_for_weeks_is_hurried() -> None:
    (event,) = Move("purifier-slipping", 30.0, severity=2.0).events()
    assert event.fault is not None
    assert event.fault.severity == 2.0 * HURRIED[FaultName.PURIFIER_SLIPPING]


def test_a_bridge_that_starts_while_the_controller_is_held_in_reset_need_not_know_of_the_reset(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    held = Move("controller-reset", 180.7, 139.7)
    assert play(Plot("half full", (held, Move("power-cut", 187.8, 85.4)))).violations == ()
    # A bridge that runs throughout must show the reset.
    assert play(Plot("half full", (held,))).violations == ()
    monkeypatch.setattr(Board, "restarted_lately", lambda board, now: False)
    assert "controller-restarted" in play(Plot("half full", (held,))).violations[0]


def test_a_level_fault_need_not_show_before_the_port_is_open_again_after_a_long_silence(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    shorted, held = Move("level-sensor-shorted", 160.9, 541.3), Move("controller-reset", 104.3, 111.0)
    assert play(Plot("hot", (shorted, held))).violations == ()
    # It must show then.
    monkeypatch.setattr(detection, "_level_ails", lambda level: False)
    assert "level-sensor-shorted" in play(Plot("hot", (shorted, held))).violations[0]


@pytest.mark.slow
@pytest.mark.parametrize("permissive", MUTANTS, ids=lambda one: one.value)
def test_a_guard_without_any_permissive_is_found_out(
    permissive: Permissive, monkeypatch: pytest.MonkeyPatch
) -> None:
    with monkeypatch.context() as patch:
        without_permissive(patch, permissive)
        MUTANTS[permissive].covered_by(patch)
        began_s = time.process_time()
        find = search(1, lambda plays: plays < PLAYS)
        print(f"{permissive.value}: {time.process_time() - began_s:.1f} s of CPU, {find.plays} plots", find)
        assert find.harm.violations
        assert len(find.plot.moves) <= 2
        text = story(find)
        assert f"# violation: {find.harm.violations[0]}." in text
        # The story is code, and does again what it says.
        code = "\n".join(line for line in text.splitlines() if not line.startswith("#"))
        assert eval(code, {"play": play, "Plot": Plot, "Move": Move}) == find.harm
    assert play(find.plot).violations == ()


@pytest.mark.slow
def test_nothing_is_found_in_the_sound_guard() -> None:
    ends_s = time.process_time() + SECONDS
    find = search(1, lambda plays: time.process_time() < ends_s if SECONDS else plays < 150)
    print(story(find))
    assert find.harm.violations == ()
