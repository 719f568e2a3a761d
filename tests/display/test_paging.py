"""In a window of few rows every reservoir has its entry, and keys reach every line of each of them."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.cells import cell_len

from bridge.display import Facts
from bridge.display.from_view import facts_of
from bridge.display.paging import Place, after_key, window
from bridge.display.terminal import CAUTION, Selection, lines
from bridge.display.topics import RemoteBridge, RemoteReservoir
from bridge.station.view import StationView
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


def test_six_reservoirs_have_an_entry_each_within_23_rows(kept_view: StationView) -> None:
    facts = facts_of(kept_view, DisplayUnits(), "14:05:09")
    shown, _ = window(SELECTION, garden(facts, facts, facts, None, facts, facts), None, Place(), 60)
    for number in range(1, 7):
        assert any(
            line.startswith(f"{number}  Barrel {number} " if number == 4 else f"{number}  ") for line in shown
        )
    assert "   It is lost." in shown
    assert CAUTION in " ".join(" ".join(shown).split())
    low, _ = window(SELECTION, garden(facts, facts), None, Place(), 23)
    assert [line[0] for line in low if line[:3].strip().isdigit()] == ["1", "2"]


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


def test_without_the_broker_no_value_is_shown(kept_view: StationView) -> None:
    facts = facts_of(kept_view, DisplayUnits(), "14:05:09")
    for number in (0, 1):
        shown, _ = window(SELECTION, garden(facts), "The broker is away.", Place(number), 23)
        text = " ".join(" ".join(shown).split())
        assert "The broker is away." in text
        assert "120 L" not in text
