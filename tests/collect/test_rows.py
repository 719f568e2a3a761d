"""A pack becomes typed rows; what is no record is refused; a gap in the rows of a bridge is seen."""

import contextlib
import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.collect.tables import (
    Row,
    Series,
    Span,
    advanced,
    bridge_of,
    rows_of,
    span_of,
    topic_filter,
)
from bridge.errors import InputError

NOW_S = 1_790_000_000


def pack(**fields: object) -> bytes:
    """One record, with these fields changed; None leaves a field out."""
    record = {"n": "garden/barrel/product/solids", "t": NOW_S, "v": 1.0, **fields}
    return json.dumps([{key: value for key, value in record.items() if value is not None}]).encode()


@pytest.mark.parametrize(
    ("name", "kind", "subject", "field"),
    [
        ("product/solids", "reading", "", "product/solids"),
        ("health", "reading", "", "health"),
        ("alarm/overflow/change", "alarm", "overflow", "change"),
        ("event/clock-stepped/sentence", "event", "clock-stepped", "sentence"),
        ("fill/mean-solids", "fill", "", "mean-solids"),
        ("pump/current", "other", "", "pump/current"),
        ("alarm", "other", "", "alarm"),
    ],
)
def test_a_name_is_divided_into_kind_subject_and_field(
    name: str, kind: str, subject: str, field: str
) -> None:
    series = Series("garden", "barrel", name, "")
    assert (series.kind, series.subject, series.field) == (kind, subject, field)


def test_a_record_of_the_whole_bridge_has_no_reservoir() -> None:
    [row] = rows_of(
        "garden", pack(n="garden/bridge/event/started/sentence", v=None, vs="The bridge started.")
    )
    assert row == Row(
        Series("garden", "", "event/started/sentence", ""), NOW_S * 1000, text="The bridge started."
    )


@pytest.mark.parametrize(
    ("payload", "sentence"),
    [
        (b"\xff", "not a SenML pack"),
        (b"[" * 100_000, "not a SenML pack"),
        (pack(v=10**400), "SenML pack"),
        (pack(n="shed/barrel/product/solids"), "is not one of the bridge 'garden'"),
        (pack(n="garden/barrel"), "has too few parts"),
        (pack(n="garden/barrel/fill/"), "has too few parts"),
        (pack(t=5), "is no date"),
        (pack(t=1e15), "is no date"),
        (b'[{"n":"garden/barrel/path","t":1790000000,"vs":"\\ud800"}]', "cannot store"),
        (b'[{"n":"garden/barrel/path","t":1790000000,"vs":"\\u0000"}]', "cannot store"),
        (b'[{"n":"garden/barrel/path","t":1790000000,"s":1}]', "neither a number, nor a text, nor a flag"),
    ],
)
def test_what_is_no_record_of_the_bridge_is_refused_with_a_sentence(payload: bytes, sentence: str) -> None:
    with pytest.raises(InputError) as refusal:
        rows_of("garden", payload)
    assert sentence in str(refusal.value)


@given(st.binary(max_size=200) | st.text(max_size=100).map(lambda text: pack(n=text, vs=text, v=None)))
def test_any_payload_is_rows_of_the_bridge_or_is_refused(payload: bytes) -> None:
    with contextlib.suppress(InputError):
        assert {row.series.bridge for row in rows_of("garden", payload)} <= {"garden"}


def test_topics_of_records_are_those_below_the_root() -> None:
    assert topic_filter("water/clearwell") == "water/clearwell/+/records"
    assert bridge_of("water/clearwell/garden-1/records", "water/clearwell") == "garden-1"
    for topic in ("clearwell/garden/records/again", "clearwell/Garden/records", "other/garden/records"):
        with pytest.raises(InputError):
            bridge_of(topic, "clearwell")
    for root in ("", "/a", "a/", "a/+", "#", "$SYS"):
        with pytest.raises(InputError, match="not the beginning of a topic"):
            topic_filter(root)


@given(st.lists(st.integers(1, 9), min_size=1, max_size=30), st.data())
def test_the_position_never_passes_a_message_that_is_lost(sizes: list[int], data: st.DataObject) -> None:
    """Each message is lost, or arrives once or twice; the lost ones arrive when they are asked for."""
    ends = [100 + sum(sizes[: number + 1]) for number in range(len(sizes))]
    spans = [Span(after, last) for after, last in zip([100, *ends], ends, strict=False)]
    position = 100
    there: set[Span] = set()
    for span in spans:
        for _ in range(data.draw(st.integers(0, 2))):
            there.add(span)
            after = advanced(position, span)
            position = position if after is None else after
        assert {one for one in spans if one.last <= position} <= there
    for span in spans:
        after = advanced(position, span)
        assert after is not None
        position = after
    assert position == ends[-1]


def test_a_message_without_positions_tells_nothing() -> None:
    assert span_of({}) is None
    assert span_of({"after": "1", "last": "x"}) is None
    assert span_of({"after": "1", "last": "20"}) == Span(1, 20)


def test_a_bridge_that_is_new_is_asked_for_all_that_its_log_has() -> None:
    assert advanced(0, Span(0, 9)) == 9
    assert advanced(0, Span(7, 9)) is None
