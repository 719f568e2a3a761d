"""Values of several types, narrowed to the one that a test expects."""

from collections.abc import Iterable
from typing import TypeVar

from bridge.protocol.codec import Decoder, Direction
from bridge.protocol.messages import FromBridge, FromController, Value

T = TypeVar("T")


def measured(value: Value) -> float:
    """The number of a measured value; a value that is missing or has failed fails the test."""
    assert isinstance(value, float | int), f"no number was measured: {value}"
    return value


def decoder_of(direction: Direction) -> Decoder[FromController] | Decoder[FromBridge]:
    """A decoder for a direction that is known only when the test runs."""
    if direction is Direction.TO_BRIDGE:
        return Decoder(Direction.TO_BRIDGE)
    return Decoder(Direction.TO_CONTROLLER)


def of_kind(kind: type[T], value: object) -> T:
    """The same value, which must be of this kind."""
    assert isinstance(value, kind), f"{value!r} is no {kind.__name__}"
    return value


def every(kind: type[T], values: Iterable[object]) -> list[T]:
    """All values of this kind, in their order."""
    return [value for value in values if isinstance(value, kind)]


def last(kind: type[T], values: Iterable[object]) -> T:
    """The newest value of this kind, of which there must be one."""
    return every(kind, values)[-1]
