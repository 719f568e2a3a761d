"""SenML against the examples in RFC 8428, and rows written and read back."""

import json
import re
from dataclasses import fields
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.errors import InputError
from bridge.guard.model import Trip
from bridge.history.records import (
    CLASSES,
    AlarmChange,
    AlarmRow,
    EventRow,
    Kind,
    SampleRow,
    Series,
    Stamp,
    StampedRow,
)
from bridge.history.senml import ENTRY_NUMBERS, SenmlRecord, entry_facts, pack, parse, write

# RFC 8428, section 5.1.2: voltage and current on Tue Jun 8 18:01:16.001 UTC 2010 and the five seconds before.
CURRENT = """[
  {"bn":"urn:dev:ow:10e2073a0108006:","bt":1.276020076001e+09,"bu":"A","bver":5,
   "n":"voltage","u":"V","v":120.1},
  {"n":"current","t":-5,"v":1.2},
  {"n":"current","t":-4,"v":1.3},
  {"n":"current","t":-3,"v":1.4},
  {"n":"current","t":-2,"v":1.5},
  {"n":"current","t":-1,"v":1.6},
  {"n":"current","v":1.7}
]"""

# RFC 8428, section 5.1.3: humidity from a moving device; section 5.1.4 prints the same resolved.
HUMIDITY = """[
  {"bn":"urn:dev:ow:10e2073a01080063","bt":1.320067464e+09,"bu":"%RH","v":20},
  {"u":"lon","v":24.30621},
  {"u":"lat","v":60.07965},
  {"t":60,"v":20.3},
  {"u":"lon","t":60,"v":24.30622},
  {"u":"lat","t":60,"v":60.07965},
  {"t":120,"v":20.7},
  {"u":"lon","t":120,"v":24.30623},
  {"u":"lat","t":120,"v":60.07966},
  {"u":"%EL","t":150,"v":98},
  {"t":180,"v":21.2},
  {"u":"lon","t":180,"v":24.30628},
  {"u":"lat","t":180,"v":60.07967}
]"""


def test_base_values_apply_as_in_the_rfc_s_example_of_a_current() -> None:
    records = parse(CURRENT)
    base = "urn:dev:ow:10e2073a0108006:"
    assert [(r.name, r.unit, r.value) for r in records if r.name.endswith("voltage")] == [
        (base + "voltage", "V", 120.1)
    ]
    currents = [r for r in records if r.name == base + "current"]
    assert [r.time_s for r in currents] == [1276020076.001 - back for back in (5, 4, 3, 2, 1, 0)]
    assert [r.value for r in currents] == [1.2, 1.3, 1.4, 1.5, 1.6, 1.7]
    assert {r.unit for r in currents} == {"A"}
    assert [r.time_s for r in records] == sorted(r.time_s for r in records), (
        "resolved records are chronological (4.6)"
    )


def test_the_rfc_s_moving_device_resolves_as_in_the_rfc() -> None:
    records = parse(HUMIDITY)
    assert {r.name for r in records} == {"urn:dev:ow:10e2073a01080063"}
    assert [(r.unit, r.time_s - 1.320067464e9, r.value) for r in records if r.unit in ("%RH", "%EL")] == [
        ("%RH", 0, 20), ("%RH", 60, 20.3), ("%RH", 120, 20.7), ("%EL", 150, 98), ("%RH", 180, 21.2),
    ]  # fmt: skip
    assert len(records) == 13


def test_a_time_below_two_to_the_28_counts_from_now() -> None:
    """RFC 8428, section 4.5.3."""
    assert parse('[{"n":"a","t":-5,"v":1}]', now_s=1e9)[0].time_s == 1e9 - 5
    assert parse('[{"n":"a","t":268435456,"v":1}]', now_s=1e9)[0].time_s == 268435456


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("{", "JSON"),
        ('{"n":"a","v":1}', "array"),
        ('[{"n":"a"}]', "one value"),
        ('[{"n":"a","v":1,"vs":"x"}]', "one value"),
        ('[{"v":1}]', "name"),
        ('[{"n":"_a","v":1}]', "4.5.1"),
        ('[{"n":"a","v":"1"}]', "number"),
        ('[{"n":"a","vb":1}]', "true or false"),
        ('[{"n":"a","v":1,"bver":11}]', "version"),
        ('[{"n":"a","v":1,"secret_":2}]', "secret_"),
    ],
)
def test_a_pack_that_breaks_a_rule_is_refused_with_the_rule(text: str, says: str) -> None:
    with pytest.raises(InputError, match=says):
        parse(text)


def test_a_reading_is_sent_in_si_units_with_its_own_time(make_reading, start_ms: int) -> None:  # type: ignore[no-untyped-def]
    row = make_reading(7)
    text = pack([row], "clearwell")
    assert json.loads(text)[0]["bn"] == "clearwell/barrel/"
    by_name = {record.name: record for record in parse(text)}
    conductance = by_name["clearwell/barrel/product/conductance"]
    assert conductance.unit == "S"
    assert conductance.value == pytest.approx(row.conductance_us * 1e-6, rel=1e-9)
    assert by_name["clearwell/barrel/reservoir/volume"].unit == "m3"
    assert by_name["clearwell/barrel/reservoir/volume"].value == pytest.approx(row.volume_l / 1000, rel=1e-9)
    assert by_name["clearwell/barrel/path"].text == "shut"
    assert {r.time_s for r in by_name.values()} == {row.stamp.utc_ms / 1000}
    assert len(by_name) == len(Series) + 2


def test_alarms_events_and_samples_are_sent_field_by_field() -> None:
    stamp = Stamp(1, 2, 1_750_000_000_123)
    rows: list[StampedRow] = [
        AlarmRow(stamp, "barrel", Trip.NO_RISE, AlarmChange.RAISED, "No rise.", first_out=True),
        EventRow(stamp, "", "clock-stepped", "The clock was set back."),
        SampleRow(stamp, "barrel", "rain", 21.5, 10.75, 0.4, 0.5, 18.0, "natural", "suitable"),
    ]
    found = {record.name: record for record in parse(pack(rows, "home"))}
    assert found["home/barrel/alarm/no-rise-while-open/change"].text == "raised"
    assert found["home/barrel/alarm/no-rise-while-open/first-out"].flag is True
    assert found["home/bridge/event/clock-stepped/sentence"].text == "The clock was set back."
    solids = found["home/barrel/sample/solids"]
    assert (solids.unit, solids.value) == ("/", 1.075e-05)
    assert {record.time_s for record in found.values()} == {1_750_000_000.123}


def test_no_name_contradicts_its_unit_and_every_number_has_its_own() -> None:
    for kind, row_class in CLASSES.items():
        parts = [entry_facts(one.name) for one in fields(row_class)]
        assert len({name for name, _, _ in parts}) == len(parts), f"two fields of {kind} have one name"
        for one, (name, unit, _) in zip(fields(row_class), parts, strict=True):
            if {"int", "float"} & set(re.findall(r"\w+", str(one.type))):
                assert one.name in ENTRY_NUMBERS, f"{kind}: {one.name} has no SenML unit"
                ending = re.search(r"-(l|g|ms|us|ppm|percent|days|c|s)$", name)
                assert ending is None or unit is None, f"{name} is in {unit}"


def test_the_manual_has_every_name_with_its_unit() -> None:
    page = (Path(__file__).parents[2] / "bridge" / "manual" / "hub.md").read_text("utf-8")
    rows = dict(re.findall(r"^\| `BRIDGE/RESERVOIR/(\S*)` \| (.*) \|$", page, re.MULTILINE))
    told = {
        key.partition("/")[0]: re.findall(r"`([^`]+)`(?: \(([^)]+)\))?", cell) for key, cell in rows.items()
    }
    readings = [(one.facts.senml_name, one.facts.senml_unit) for one in Series]
    assert told.pop("") == [*readings, ("path", ""), ("health", "")]
    assert set(told) == {kind.value for kind in Kind}
    for kind, row_class in CLASSES.items():
        named = {kind.value} if kind in (Kind.ALARM, Kind.EVENT) else set()
        own = [one.name for one in fields(row_class) if one.name not in {"stamp", "reservoir", *named}]
        assert set(told[kind.value]) == {(name, unit or "") for name, unit, _ in map(entry_facts, own)}


def test_a_reservoir_whose_name_senml_forbids_is_refused() -> None:
    with pytest.raises(InputError, match="letters, digits"):
        pack([EventRow(Stamp(1, 1, 1), "blue barrel", "e", "s")], "clearwell")


record = st.builds(
    SenmlRecord,
    st.from_regex(r"base/[a-z0-9:./_-]{1,12}", fullmatch=True),
    st.integers(300_000_000_000, 4_000_000_000_000).map(lambda ms: ms / 1000) | st.floats(3e8, 4e9),
    st.none() | st.sampled_from(["S", "Cel", "m3", "/"]),
    value=st.floats(allow_nan=False, allow_infinity=False),
)


@given(st.lists(record, min_size=1, max_size=8))
def test_written_records_are_read_back_unchanged(records: list[SenmlRecord]) -> None:
    back = parse(write(records, "base/"))
    for was, now in zip(sorted(records, key=lambda r: r.time_s), back, strict=True):
        assert (now.name, now.unit, now.value) == (was.name, was.unit, was.value)
        assert now.time_s == was.time_s


def test_a_record_has_the_same_time_to_the_last_bit_in_any_pack() -> None:
    """After a restart a record is sent in another pack. The last bit of its time must be the same."""
    start_ms = 1_795_596_005_550
    rows = [EventRow(Stamp(1, n, start_ms + 35 * n), "barrel", "e", f"at {n}") for n in range(400)]
    alone = [parse(pack([row], "clearwell"))[0] for row in rows]
    assert [record.time_s for record in alone] == [row.stamp.utc_ms / 1000 for row in rows]
    for first in (0, 1, 2, 40):
        assert parse(pack(rows[first:], "clearwell")) == alone[first:], f"in a pack that begins at {first}"


def test_a_pack_with_years_between_its_records_keeps_their_times() -> None:
    stamps = [Stamp(1, n, 1_500_000_000_003 + n * 31_556_952_111) for n in range(10)]
    rows = [EventRow(stamp, "barrel", "e", "s") for stamp in stamps]
    assert [r.time_s for r in parse(pack(rows, "clearwell"))] == [stamp.utc_ms / 1000 for stamp in stamps]
