"""Narrows values of several types to the type that a test expects."""

from collections.abc import Iterable
from typing import TypeVar

from bridge.protocol.codec import Decoder, Direction
from bridge.protocol.messages import FromBridge, FromController, Value

T = TypeVar("T")


def measured(value: Value) -> float:
    """Returns the number of a measured value. A missing or failed value fails the test."""
    assert isinstance(value, float | int), f"no number was measured: {value}"
    return value


def decoder_of(direction: Direction) -> Decoder[FromController] | Decoder[FromBridge]:
    """Returns a decoder for a direction that is known only when the test runs."""
    if direction is Direction.TO_BRIDGE:
        return Decoder(Direction.TO_BRIDGE)
    return Decoder(Direction.TO_CONTROLLER)


def of_kind(kind: type[T], value: object) -> T:
    """Returns the same value, which must be of this type."""
    assert isinstance(value, kind), f"{value!r} is no {kind.__name__}"
    return value


def every(kind: type[T], values: Iterable[object]) -> list[T]:
    """Returns all values of this type, in their order."""
    return [value for value in values if isinstance(value, kind)]


def last(kind: type[T], values: Iterable[object]) -> T:
    """Returns the newest value of this type; at least one must exist."""
    return every(kind, values)[-1]
