"""A daemon in this process, and the controller's end of its line, played by hand."""

import asyncio
import os
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager

import pytest

from bridge.daemon import Daemon
from bridge.keeper import Keeper
from bridge.plan import BridgePlan
from bridge.wire.codec import Decoder, Direction, encode
from bridge.wire.messages import BootReason, Feature, FromController, Hello, Reading
from bridge.wire.messages import Path as WaterPath

PATIENCE_S = 60.0


class Board:
    """The controller's end of a pseudo-terminal, played by hand."""

    def __init__(self) -> None:
        self.master, slave = os.openpty()
        os.set_blocking(self.master, False)
        self.path = os.ttyname(slave)
        self._slave = slave
        self._decoder = Decoder(Direction.TO_CONTROLLER)
        self._sequence = 0

    def say(self, message: FromController) -> None:
        os.write(self.master, encode(message))

    def hello(self) -> None:
        self.say(Hello(0, "board", "1.0", BootReason.POWER, 10_000, Feature.SENDER | Feature.DRAIN_VALVE))

    def read(self, product_us: float, path: WaterPath = WaterPath.SHUT, sender: float = 0.3) -> None:
        self._sequence += 1
        self.say(
            Reading(
                self._sequence, path, product_us=product_us, product_c=15.0 + 0.001 * self._sequence,
                feed_us=600.0, feed_c=15.0, sender=sender, switch_low=True, switch_full=False,
                switch_overflow=False, pulses=self._sequence,
            )
        )  # fmt: skip

    def heard(self) -> list[object]:
        """What is on the wire at this moment, without waiting."""
        try:
            return list(self._decoder.feed(os.read(self.master, 65536)))
        except BlockingIOError:
            return []

    def close(self) -> None:
        os.close(self.master)
        os.close(self._slave)


class SpiedKeeper(Keeper):
    """Notes what is on the wire when the callback of a message returns: the same turn of the event loop."""

    board: Board
    answers: list[list[object]]

    def _on_message(self, message: FromController) -> None:
        self.board.heard()
        super()._on_message(message)
        if isinstance(message, Reading):
            self.answers.append(self.board.heard())


@asynccontextmanager
async def running(plan: BridgePlan) -> AsyncIterator[Daemon]:
    one = Daemon(plan)
    task = asyncio.create_task(one.run())
    try:
        await asyncio.wait_for(one.ready.wait(), PATIENCE_S)
        yield one
    finally:
        one.stop()
        await asyncio.wait_for(task, PATIENCE_S)


async def until(condition: Callable[[], bool], told: str) -> None:
    """Let the loop turn until something is so."""
    try:
        async with asyncio.timeout(PATIENCE_S):
            while not condition():  # noqa: ASYNC110 - what is awaited is state of any kind
                await asyncio.sleep(0.01)
    except TimeoutError:
        pytest.fail(told)


async def greeted(board: Board) -> None:
    await until(lambda: any(True for _ in board.heard()), "the bridge said nothing to its controller")
