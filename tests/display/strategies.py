"""Hypothesis strategies for views and for hostile text."""

from dataclasses import fields
from typing import Any

from hypothesis import strategies as st

from bridge.display import (
    AlarmFact,
    Facts,
    Feed,
    Fill,
    FirstOut,
    PermissiveFact,
    Product,
    Purifier,
    Reservoir,
    TripFact,
    Use,
    Valve,
)
from bridge.guard.alarms import Status
from bridge.guard.faults import FAULTS
from bridge.guard.model import Permissive, Trip
from bridge.mqtt.properties import NUMERIC, PROPERTIES
from bridge.station.plan import StationIdentity
from bridge.station.view import ActiveAlarm, StationView
from bridge.trays.ahead import RoundDay

WORDS = st.one_of(
    st.text(max_size=40),
    st.text(min_size=100, max_size=300),
    st.text(st.sampled_from("水耕園藝ｗｉｄｅ한국 \u0301\u200d\ufe0f🌱👩\u200d🌾"), max_size=200),
    st.sampled_from(["\x1b[2J\x1b[H", "one\r\ntwo", "\u202eback", "\x9b31m", "x" * 500, ""]),
)
MAYBE = st.none() | WORDS
FACTS = st.builds(
    Facts,
    id=WORDS,
    name=WORDS,
    time=WORDS,
    link=st.booleans(),
    use=st.builds(Use, WORDS, WORDS, WORDS),
    product=st.builds(Product, WORDS, WORDS, MAYBE, st.none(), MAYBE),
    feed=st.none() | st.builds(Feed, MAYBE, MAYBE, WORDS),
    reservoir=st.builds(
        Reservoir,
        MAYBE,
        WORDS,
        st.none() | st.floats(-1.0, 9.0),
        WORDS,
        MAYBE,
        MAYBE,
        WORDS,
        MAYBE,
        st.none(),
        st.sampled_from([True, False, None]),
    ),
    purifier=st.builds(
        Purifier, MAYBE, st.none(), MAYBE, st.sampled_from([True, False, None]), MAYBE, MAYBE, MAYBE
    ),
    valve=st.builds(
        Valve,
        WORDS,
        WORDS,
        WORDS,
        WORDS,
        WORDS,
        st.lists(st.builds(PermissiveFact, WORDS, WORDS, st.booleans()), max_size=3).map(tuple),
        st.none() | st.builds(FirstOut, WORDS, WORDS),
        st.lists(st.builds(TripFact, WORDS, WORDS, WORDS), max_size=2).map(tuple),
    ),
    fill=st.builds(Fill, MAYBE, st.integers(0, 10**6), MAYBE),
    alarms=st.lists(
        st.builds(AlarmFact, WORDS, WORDS, WORDS, WORDS, st.booleans(), st.booleans()), max_size=3
    ).map(tuple),
    hold=st.booleans(),
    controller=WORDS,
)
"""Facts with anything in their texts."""

_ROWS = {str(row.source): row for row in PROPERTIES if row.source is not None}


def _published(draw: st.DrawFn, name: str, optional: bool) -> Any:
    """Values with the row's own decimals, so that they survive publication unchanged."""
    row = _ROWS[name]
    if optional and draw(st.booleans()):
        return None
    if row.datatype in NUMERIC:
        digits = draw(st.integers(0, 10**6))
        return digits / 10**row.decimals / row.scale
    if row.datatype.value == "boolean":
        return draw(st.booleans())
    words = (row.format or "").split(",")
    return draw(st.sampled_from([word for word in words if word != "none"]))


_DRAWN_APART = ("alarms", "latched_trips", "missing_permissives", "round_ahead")


def round_days() -> st.SearchStrategy[RoundDay]:
    """Any day of a watering round."""
    names = st.lists(WORDS.filter(bool), max_size=2).map(tuple)
    litres = st.integers(0, 9999).map(lambda tenths: tenths / 10.0)
    return st.builds(RoundDay, st.just("2026-07-01"), litres, names, names)


@st.composite
def views(draw: st.DrawFn) -> StationView:
    """Any view that a station may publish."""
    identity = StationIdentity(
        reservoir="north-barrel",
        name=draw(WORDS.filter(bool)),
        capacity_l=200.0,
        limit_ppm=50.0,
        target_ppm=25.0,
        factor=draw(st.sampled_from([0.5, 0.7])),
        has_feed_probe=draw(st.booleans()),
        has_drain=False,
        has_volume=draw(st.booleans()),
        has_forecast=draw(st.booleans()),
        has_trays=draw(st.booleans()),
    )
    values: dict[str, Any] = {}
    for one in fields(StationView):
        if one.name in _ROWS and one.name not in _DRAWN_APART:
            values[one.name] = _published(draw, one.name, "None" in str(one.type))
            needs = _ROWS[one.name].needs
            if needs is not None and not getattr(identity, needs):
                values[one.name] = "good" if isinstance(values[one.name], str) else None
    trips = st.lists(st.sampled_from([trip.value for trip in Trip]), unique=True, max_size=3)
    permissives = st.lists(st.sampled_from([one.value for one in Permissive]), unique=True, max_size=4)
    alarms = st.lists(st.sampled_from(list(FAULTS)), unique=True, max_size=3)
    status = st.sampled_from([one.value for one in Status if one is not Status.NORMAL])
    days = st.lists(round_days(), min_size=1, max_size=3).map(tuple)
    return StationView(
        identity=identity,
        round_ahead=draw(st.none() | days) if identity.has_trays else None,
        missing_permissives=tuple(draw(permissives)),
        latched_trips=tuple(draw(trips)),
        alarms=tuple(
            ActiveAlarm(alarm.value, draw(status), FAULTS[alarm].sentence, draw(st.booleans()))
            for alarm in draw(alarms)
        ),
        controller=draw(st.sampled_from(["", "rig 1.0"])),
        **{name: value for name, value in values.items() if name != "controller"},
    )
