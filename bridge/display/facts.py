"""What people are shown of one reservoir, every text finished. Core.

One value for every screen: page, terminal and report say the same because they are made from this. The
fields carry the names under which they stand in :func:`as_json`. A field is None where nothing is fitted or
nothing is known.
"""

import json
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Use:
    """May this water be used on the plants? By its dissolved solids alone."""

    verdict: str
    """``suitable``, ``marginal``, ``unsuitable`` or ``unknown``: of product and reservoir, the worse."""
    answer: str
    reason: str


@dataclass(frozen=True, slots=True)
class Product:
    """The water that the purifier makes."""

    text: str | None
    number: float | None
    """In ``unit``."""
    uncertainty: str | None
    unit: str
    """Of every figure of dissolved solids that is shown, and of those that are entered."""
    scale: str
    limit: str
    target: str
    temperature: str | None
    health: str


@dataclass(frozen=True, slots=True)
class Feed:
    """The water before the purifier."""

    text: str | None
    temperature: str | None
    health: str


@dataclass(frozen=True, slots=True)
class Reservoir:
    """What is stored, and how long it lasts."""

    volume: str | None
    capacity: str
    fraction: float | None
    zone: str
    ppm: str | None
    cover: str | None
    cover_days: float | None
    overflow: bool | None


@dataclass(frozen=True, slots=True)
class Purifier:
    """The cartridge, membrane or distiller: what it did, and how long it lasts."""

    days: str | None
    days_median: float | None
    litres: str | None
    order_now: bool | None
    treated: str | None
    load: str | None
    rejection: str | None


@dataclass(frozen=True, slots=True)
class PermissiveFact:
    """One permissive, and whether it holds."""

    id: str
    label: str
    holds: bool


@dataclass(frozen=True, slots=True)
class FirstOut:
    """The trip that came first."""

    id: str
    sentence: str


@dataclass(frozen=True, slots=True)
class TripFact:
    """One latched trip, and what its reset needs."""

    id: str
    sentence: str
    reset_rule: str


@dataclass(frozen=True, slots=True)
class Valve:
    """Whether the valve is open, and why or why not."""

    state: str
    """What the controller reports: ``shut``, ``fill``, ``drain`` or ``unknown``."""
    decided: str
    phase: str
    phase_words: str
    why: str
    permissives: tuple[PermissiveFact, ...]
    first_out: FirstOut | None
    trips: tuple[TripFact, ...]


@dataclass(frozen=True, slots=True)
class Fill:
    """The fill that runs, or the last one."""

    volume: str | None
    minutes: int
    today: str | None


@dataclass(frozen=True, slots=True)
class AlarmFact:
    """One alarm that is not normal."""

    id: str
    state: str
    state_words: str
    sentence: str
    shelved: bool
    is_trip: bool


@dataclass(frozen=True, slots=True)
class Facts:
    """One reservoir at one moment."""

    id: str
    name: str
    time: str
    """When this was so, in the people's own time, as the caller writes it."""
    link: bool
    use: Use
    product: Product
    feed: Feed | None
    reservoir: Reservoir
    purifier: Purifier
    valve: Valve
    fill: Fill
    alarms: tuple[AlarmFact, ...]
    hold: bool
    controller: str


def as_json(facts: Facts) -> str:
    """The facts as one line of JSON, with the fields' own names."""
    return json.dumps(facts, default=_fields, ensure_ascii=False, allow_nan=False, separators=(",", ":"))


def _fields(value: object) -> dict[str, object]:
    names: tuple[str, ...] = value.__slots__  # type: ignore[attr-defined]
    return {name: getattr(value, name) for name in names}
