"""Waiting for an event, with one deadline for all tests.

The deadline only ends a test that hangs. It is far longer than anything takes on a busy machine, and no test
may use it as a measure of time.
"""

import asyncio
from collections.abc import Awaitable, Callable
from typing import TypeVar

import pytest

T = TypeVar("T")

DEADLINE_S = 60.0
LOOK_EVERY_S = 0.02


async def until(
    condition: Callable[[], bool],
    failure: str | Callable[[], str],
    meanwhile: Callable[[], object] = lambda: None,
) -> None:
    """Let the event loop run until a condition holds.

    Args:
        condition: State of any kind; it is looked at again and again.
        failure: A sentence for the case that the condition never holds.
        meanwhile: Is called before each wait, such as a controller that goes on with its readings.
    """
    try:
        async with asyncio.timeout(DEADLINE_S):
            while not condition():
                meanwhile()
                await asyncio.sleep(LOOK_EVERY_S)
    except TimeoutError:
        pytest.fail(failure if isinstance(failure, str) else failure())


async def within(awaited: Awaitable[T], failure: str = "it never happened") -> T:
    """The result of an awaitable; a test that hangs here fails with the sentence."""
    try:
        return await asyncio.wait_for(awaited, DEADLINE_S)
    except TimeoutError:
        pytest.fail(failure)


async def changed(
    news: asyncio.Condition, condition: Callable[[], bool], failure: str | Callable[[], str]
) -> None:
    """Wait until a condition holds whose state is announced on ``news``; nothing is polled."""
    try:
        async with asyncio.timeout(DEADLINE_S), news:
            await news.wait_for(condition)
    except TimeoutError:
        pytest.fail(failure if isinstance(failure, str) else failure())
