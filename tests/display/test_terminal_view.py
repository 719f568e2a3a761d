"""The terminal view is readable at 80 columns and without colour, for any facts."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.cells import cell_len

from bridge.display import Facts
from bridge.display.from_view import facts_of
from bridge.display.terminal import CAUTION, WIDTH, changes, cropped, lines, unknown
from bridge.display.text import cut, padded, width, wrapped
from bridge.guard.model import Permissive
from bridge.station.view import StationView
from bridge.units import DisplayUnits
from tests.display.strategies import FACTS, WORDS, views


@given(FACTS, st.sampled_from([40, 57, WIDTH]))
def test_every_line_fits_and_contains_no_control_character_for_any_facts(facts: Facts, columns: int) -> None:
    for line in (*lines(facts, columns), *unknown(facts.name, facts.id, facts.use.reason, columns)):
        # Another library's table gives the width.
        assert cell_len(line) <= columns
        assert line.isprintable()
        assert line == line.rstrip()


@given(views())
def test_every_fact_is_in_the_view(view: StationView) -> None:
    facts = facts_of(view, DisplayUnits(), "14:05:09")
    shown = " ".join(" ".join(lines(facts, exact=True)).split())
    short = " ".join(" ".join(lines(facts)).split())
    told = [
        f"{facts.use.word}. {facts.use.advice}",
        facts.use.reason,
        facts.valve.why,
        facts.product.limit,
        facts.product.target,
    ]
    told += [facts.product.scale, facts.product.text or "not known", facts.valve.phase_words, "14:05:09"]
    told += [one for one in (facts.product.uncertainty, facts.product.temperature) if one]
    told += [one for one in (facts.reservoir.cover, facts.purifier.days, facts.purifier.litres) if one]
    told += [one for one in (facts.fill.today, facts.reservoir.ppm, facts.purifier.load) if one]
    told += [f"{alarm.id} ({alarm.state_words}" for alarm in facts.alarms]
    told += [] if facts.valve.first_out is None else [facts.valve.first_out.sentence]
    missing = [one for one in facts.valve.permissives if not one.holds]
    if facts.reservoir.zone == "full" and any(one.id == "below-fill-mark" for one in missing):
        # A full reservoir is no fault.
        told += ["full: the reservoir needs no water (below-fill-mark)"]
        missing = [one for one in missing if one.id != "below-fill-mark"]
    told += [f"NO: {one.label}" for one in missing]
    told += [one.id for one in facts.valve.permissives]
    told += ["on hold until somebody releases it"] if facts.hold else []
    told += [] if facts.link else ["The controller does not answer"]
    told += ["ORDER the next one now"] if facts.purifier.order_now else []
    for one in told:
        assert " ".join(one.split()) in shown
    for plain in (facts.product.plain, facts.reservoir.plain):
        assert plain is None or plain in short
    assert {one.id for one in facts.valve.permissives} == {one.value for one in Permissive}


@given(WORDS, st.integers(2, 90))
def test_text_is_wrapped_to_its_columns_and_no_text_is_lost(text: str, columns: int) -> None:
    whole = "".join(cut(text, 10**6).split())
    assert "".join("".join(wrapped(text, columns)).split()) == whole
    assert all(cell_len(line) <= columns for line in wrapped(text, columns))
    assert cell_len(cut(text, columns)) <= columns
    assert width(padded(text, columns)) == columns


def test_the_caution_names_the_limits_of_a_conductivity_reading() -> None:
    for word in ("microbes", "pesticides", "lead", "solvents", "drink"):
        assert word in CAUTION


@pytest.mark.parametrize("rows", [1, 2, 10, 24, 60])
def test_a_low_window_keeps_the_top_and_the_caution_and_counts_the_missing_lines(rows: int) -> None:
    whole = [*(f"line {number}" for number in range(30)), "", *wrapped(CAUTION, WIDTH)]
    shown = cropped(whole, rows)
    assert len(shown) <= rows
    if rows < len(whole):
        (said,) = [line for line in shown if "more lines" in line]
        top = shown[: shown.index(said)]
        assert top == whole[: len(top)]
        kept = len(shown) - 1
        assert said.startswith(f"({len(whole) - kept} more lines")
    if rows >= 10:
        assert CAUTION in " ".join(shown)


def test_each_change_is_printed_with_its_label_and_its_reservoir() -> None:
    before = [
        "North (n)  14:00",
        " Valve        SHUT",
        "              why",
        " Fill         none",
        "",
        "South (s)",
    ]
    before += [" Valve        SHUT", "              why", "", "A caution."]
    after = list(before)
    after[0], after[2] = "North (n)  14:01", "              another why"
    assert changes([], before) == [line for line in before if line]
    assert changes(before, after) == ["North (n)  14:01", " Valve        SHUT", "              another why"]
    # A time that has advanced is not a change.
    assert changes(before, ["North (n)  14:02", *before[1:]]) == []
