"""The facts that people see of one reservoir, with every text finished. Core.

Page, terminal and report show the same because all are made from these values. The fields have the same
names in `as_json`. A field is None if nothing is fitted or nothing is known.
"""

import json
from dataclasses import dataclass, fields
from typing import Any


@dataclass(frozen=True, slots=True)
class Use:
    """Whether this water may be used on the plants, by its dissolved solids alone."""

    verdict: str
    """``suitable``, ``marginal``, ``unsuitable`` or ``unknown``: the verdict on the reservoir."""
    word: str
    """The answer in a word or two, such as ``Yes``."""
    advice: str
    """The answer as a sentence."""
    reason: str
    basis: str
    """``assumed``, ``balance`` or ``sample``."""
    over_limit: str | None
    """The probability that the water is at or over its limit, such as ``under 1 %``."""


@dataclass(frozen=True, slots=True)
class Product:
    """The water that the purifier makes."""

    state: str
    """``flowing``, ``standing``, ``over-limit`` or ``failed``. Standing water is not judged."""
    state_words: str
    text: str | None
    number: float | None
    """In ``unit``, as are all numbers of the product."""
    uncertainty: str | None
    uncertainty_number: float | None
    unit: str
    """The unit of every figure of dissolved solids that is shown or entered."""
    scale: str
    limit: str
    limit_number: float
    target: str
    target_number: float
    temperature: str | None
    health: str
    plain: str | None
    """The figure at the resolution that a grower needs, such as ``under 2.5 ppm``."""


@dataclass(frozen=True, slots=True)
class Feed:
    """The water before the purifier."""

    text: str | None
    temperature: str | None
    health: str


@dataclass(frozen=True, slots=True)
class Reservoir:
    """The stored water, and how long it lasts."""

    volume: str | None
    capacity: str
    fraction: float | None
    zone: str
    ppm: str | None
    uncertainty: str | None
    basis_words: str
    """The evidence for ``ppm``, such as ``by the sample of 2026-05-01``."""
    cover: str | None
    cover_days: float | None
    overflow: bool | None
    plain: str | None
    """The concentration at the resolution that a grower needs."""


@dataclass(frozen=True, slots=True)
class Purifier:
    """The cartridge, membrane or distiller: its work so far, and how long it lasts."""

    days: str | None
    days_low: float | None
    days_median: float | None
    days_high: float | None
    """The ends of the interval; None if the end is not known or lies beyond the horizon of the forecast."""
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
    """The first-out trip: the one that came first."""

    id: str
    sentence: str


@dataclass(frozen=True, slots=True)
class TripFact:
    """One latched trip, and the condition for its reset."""

    id: str
    sentence: str
    reset_rule: str


@dataclass(frozen=True, slots=True)
class Valve:
    """Whether the valve is open, and why."""

    state: str
    """The state that the controller reports: ``shut``, ``fill``, ``drain`` or ``unknown``."""
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
    """The time of the facts in the local time zone, as the caller formats it."""
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
    """Encode the facts as one line of JSON, with the names of the fields."""
    return json.dumps(facts, default=_fields, ensure_ascii=False, allow_nan=False, separators=(",", ":"))


def _fields(value: Any) -> dict[str, object]:
    return {field.name: getattr(value, field.name) for field in fields(value)}
