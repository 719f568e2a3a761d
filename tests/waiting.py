"""Waits for an event, with one deadline for all tests.

The deadline only ends a test that hangs. Every event comes far earlier, even on a busy machine. No test may
measure time with the deadline.
"""

import asyncio
from collections.abc import Awaitable, Callable
from typing import TypeVar

import pytest

T = TypeVar("T")

DEADLINE_S = 300.0
LOOK_EVERY_S = 0.02


async def until(
    condition: Callable[[], bool],
    failure: str | Callable[[], str],
    meanwhile: Callable[[], object] = lambda: None,
) -> None:
    """Runs the event loop until a condition holds.

    Args:
        condition: Any state. The function evaluates it repeatedly.
        failure: The message if the condition never holds.
        meanwhile: Called before each wait, for example to send the next reading of a controller.
    """
    try:
        async with asyncio.timeout(DEADLINE_S):
            while not condition():
                meanwhile()
                await asyncio.sleep(LOOK_EVERY_S)
    except TimeoutError:
        pytest.fail(failure if isinstance(failure, str) else failure())


async def within(awaited: Awaitable[T], failure: str = "it never happened") -> T:
    """Returns the result of an awaitable. A test that hangs here fails with the message."""
    try:
        return await asyncio.wait_for(awaited, DEADLINE_S)
    except TimeoutError:
        pytest.fail(failure)


async def changed(
    news: asyncio.Condition, condition: Callable[[], bool], failure: str | Callable[[], str]
) -> None:
    """Waits until a condition holds. ``news`` announces each change of its state; nothing is polled."""
    try:
        async with asyncio.timeout(DEADLINE_S), news:
            await news.wait_for(condition)
    except TimeoutError:
        pytest.fail(failure if isinstance(failure, str) else failure())
