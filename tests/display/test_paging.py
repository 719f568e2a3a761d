"""In a window of few rows every reservoir has its line, and keys reach every line of each of them."""

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.cells import cell_len

from bridge.display import Facts
from bridge.display.from_view import facts_of
from bridge.display.paging import Place, after_key, window
from bridge.display.terminal import CAUTION, Selection, lines
from bridge.display.topics import RemoteBridge, RemoteReservoir
from bridge.station.view import ActiveAlarm, StationView
from bridge.units import DisplayUnits
from tests.display.strategies import FACTS

SELECTION = Selection("localhost under homie/5")


def garden(*of: Facts | None) -> list[RemoteBridge]:
    """A bridge with reservoirs that have these facts."""
    shown = [
        RemoteReservoir(f"r{number}", f"Barrel {number}", f"d{number}", facts, "" if facts else "It is lost.")
        for number, facts in enumerate(of, 1)
    ]
    return [RemoteBridge("garden", "Garden", "ready", tuple(shown))]


@given(st.lists(st.none() | FACTS, max_size=4), st.sampled_from([40, 80]), st.integers(3, 30))
def test_no_window_is_higher_or_wider_than_the_terminal(
    of: list[Facts | None], columns: int, rows: int
) -> None:
    for number in range(len(of) + 1):
        shown, _ = window(SELECTION, garden(*of), None, Place(number), rows, columns)
        assert len(shown) <= rows
        assert all(cell_len(line) <= columns and line.isprintable() for line in shown)


@pytest.mark.parametrize(("rows", "reservoirs"), [(24, 19), (24, 6), (60, 6), (12, 3)])
def test_every_reservoir_has_its_line_and_its_troubles_as_far_as_there_is_room(
    kept_view: StationView, rows: int, reservoirs: int
) -> None:
    facts = facts_of(kept_view, DisplayUnits(), "14:05:09")
    found = garden(*[facts] * (reservoirs - 1), None)
    shown, _ = window(SELECTION, found, None, Place(), rows)
    for number in range(1, reservoirs + 1):
        assert any(line.startswith(f"{number}  " if number < 10 else "   ") for line in shown)
    assert CAUTION in " ".join(" ".join(shown).split())
    assert ("   It is lost." in shown) == (reservoirs < 19)


def test_a_line_has_the_answer_the_water_the_valve_and_the_alarms(kept_view: StationView) -> None:
    alarm = ActiveAlarm("link-lost", "latched-unacknowledged", "The controller is silent.", shelved=False)
    view = replace(
        kept_view, alarms=(alarm,), latched_trips=("link-lost",), first_out="link-lost", phase="tripped"
    )
    shown, _ = window(
        SELECTION, garden(facts_of(kept_view, DisplayUnits(), "-"), facts_of(view, DisplayUnits(), "-")),
        None, Place(), 24,
    )  # fmt: skip
    assert shown[0].split() == ["Reservoir", "Use", "it?", "Water", "Lasts", "Valve", "Alarms"]
    assert " ".join(shown[1].split()) == "1 North Not known 120 L (60 %) not known shut none"
    second = next(line for line in shown if line.startswith("2"))
    assert second.split()[-2:] == ["shut", "trip"]
    assert any("First trip:" in line for line in shown)


def test_a_narrow_window_keeps_name_and_answer(kept_view: StationView) -> None:
    facts = facts_of(kept_view, DisplayUnits(), "-")
    shown, _ = window(SELECTION, garden(facts, facts), None, Place(), 24, 40)
    assert shown[1].startswith("1  North")
    assert "Not known" in shown[1]
    assert "120 L" in shown[1]


@given(FACTS, st.integers(8, 30))
def test_the_pages_of_a_reservoir_are_all_of_its_lines(facts: Facts, rows: int) -> None:
    found, shown = garden(facts), []
    place = Place(1)
    while True:
        page, at = window(SELECTION, found, None, place, rows)
        assert at.page == place.page
        # The caution takes two lines, the keys one.
        shown += page[:-3]
        if "SPACE next" not in page[-1]:
            break
        place = after_key(place, " ", 1)
    assert [line for line in shown if line] == [line for line in lines(facts) if line]


@pytest.mark.parametrize(
    ("typed", "place"),
    [
        ("2", Place(2)),
        ("7", Place(1, 3)),
        ("0", Place(0)),
        ("\x1b", Place(0)),
        ("\t", Place(2)),
        (" ", Place(1, 4)),
        ("\x1b[B", Place(1, 4)),
        ("b", Place(1, 2)),
        ("\x1b[A", Place(1, 2)),
        ("f", Place(1, 3, exact=True)),
        ("q", Place(1, 3, ended=True)),
        ("x", Place(1, 3)),
        ("", Place(1, 3)),
    ],
)
def test_each_key_leads_to_its_place(typed: str, place: Place) -> None:
    assert after_key(Place(1, 3), typed, 3) == place


def test_a_page_that_no_longer_exists_becomes_the_last_one(kept_view: StationView) -> None:
    facts = facts_of(kept_view, DisplayUnits(), "14:05:09")
    _, place = window(SELECTION, garden(facts), None, Place(1, 99), 10)
    shown, _ = window(SELECTION, garden(facts), None, place, 10)
    assert 0 < place.page < 99
    assert "B back" in shown[-1]


def test_full_figures_are_shown_on_demand(kept_view: StationView) -> None:
    view = replace(kept_view, product_ppm=0.1261, product_uncertainty_ppm=0.0038)
    found = garden(facts_of(view, DisplayUnits(), "-"))
    short, place = window(SELECTION, found, None, Place(), 60)
    assert any("under 2.5 ppm, scale: 0.5 ppm per µS/cm" in line for line in short)
    assert not any("±" in line for line in short)
    full, _ = window(SELECTION, found, None, after_key(place, "f", 1), 60)
    assert any("0.1261 ppm ± 0.0038 ppm, scale: 0.5 ppm per µS/cm" in line for line in full)
    assert "F short figures" in full[-1]


def test_without_the_broker_no_value_is_shown(kept_view: StationView) -> None:
    facts = facts_of(kept_view, DisplayUnits(), "14:05:09")
    for number in (0, 1):
        shown, _ = window(SELECTION, garden(facts), "The broker is away.", Place(number), 23)
        text = " ".join(" ".join(shown).split())
        assert "The broker is away." in text
        assert "120 L" not in text
