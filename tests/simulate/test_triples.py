"""Triples of faults with a fault of the instrument run in a fixed order, and go on where they stopped."""

from dataclasses import replace
from pathlib import Path

import pytest

from bridge.rig.faults import PAIRED, FaultName
from bridge.simulate.kept import Manifest
from bridge.simulate.scenes import triples
from bridge.simulate.scenes.table import PAIR_SCENES
from bridge.simulate.scenes.trial import Finding, When
from bridge.simulate.scenes.triples import INSTRUMENT, Start, Tried, run, starts_of, trials_of, tried

MANIFEST = Manifest("1.0", "abc", 0, faults=True, station_only=False, kind="triples")
ALONE = [
    Finding(scene.name, (name,), noticed_s=None if name is FaultName.PROBE_DRIFT else 10.0)
    for scene in PAIR_SCENES
    for name in FaultName
]


def test_every_triple_with_a_fault_of_the_instrument_is_among_the_starts() -> None:
    starts = starts_of(ALONE)
    found = {
        (start.first, start.second, third)
        for start in starts
        if start.scene == "fill" and start.when is When.TOGETHER
        for third in start.thirds
    }
    assert found == {
        (one, two, three)
        for one in PAIRED
        for two in PAIRED
        for three in PAIRED
        if len({one, two, three}) == 3 and {one, two, three} & INSTRUMENT
    }
    assert trials_of(starts) == sum(2 * len(start.thirds) for start in starts)


def test_the_order_of_the_starts_is_always_the_same_and_follows_no_scene() -> None:
    starts = starts_of(ALONE)
    assert starts == starts_of(ALONE)
    assert {start.scene for start in starts[:200]} == {scene.name for scene in PAIR_SCENES}


def test_a_start_is_tried_with_every_third_fault_and_counts_what_it_costs() -> None:
    start = Start("tripped", FaultName.PROBE_DRY, FaultName.SUPPLY_OFF, When.TOGETHER, 20.0)
    found = tried(start)
    assert found.start == start
    assert found.trials == 2 * 26
    assert found.broken == []
    assert found.costly.faults[:2] == (FaultName.PROBE_DRY, FaultName.SUPPLY_OFF)
    assert len(found.costly.faults) == 3


def test_a_greater_share_tries_only_the_starts_that_the_file_does_not_have(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    ran: list[Start] = []

    def counted(start: Start) -> Tried:
        ran.append(start)
        broken = Finding(start.scene, (start.first, start.second), violations=["over"])
        return Tried(start, 52, replace(broken, over_limit_l=1.25), [broken])

    monkeypatch.setattr(triples, "tried", counted)
    starts, path = starts_of(ALONE)[:5], tmp_path / "triples"
    first = run(starts[:2], path, MANIFEST, jobs=1)
    assert run(starts, path, MANIFEST, jobs=1)[:2] == first
    assert ran == starts
    assert run(starts, None, MANIFEST, jobs=1) == run(starts, path, MANIFEST, jobs=1)
