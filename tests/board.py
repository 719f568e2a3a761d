"""A daemon in this process, and the controller's end of its line, driven by the test."""

import asyncio
import os
import tty
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import replace

from bridge.config.plan import BridgePlan
from bridge.daemon.keeper import Keeper
from bridge.daemon.process import Daemon
from bridge.demo import HURRIED
from bridge.guard.model import Flow, Phase
from bridge.protocol.codec import Decoder, Direction, encode
from bridge.protocol.messages import BootReason, Feature, FromController, Hello, Reading
from bridge.protocol.session import LinkDown, Received
from tests.waiting import until, within

UNHURRIED = replace(HURRIED, stale_after_s=30.0, no_rise_after_s=50.0)
"""The demo's quick limits, but for those that a busy machine would exceed."""


class Board:
    """The controller's end of a pseudo-terminal, driven by the test."""

    def __init__(self) -> None:
        self.master, slave = os.openpty()
        # A serial line does not echo before somebody opens it.
        tty.setraw(slave)
        os.set_blocking(self.master, False)
        self.path = os.ttyname(slave)
        self._slave = slave
        self._decoder = Decoder(Direction.TO_CONTROLLER)
        self._sequence = 0

    def say(self, message: FromController) -> None:
        os.write(self.master, encode(message))

    def hello(self) -> None:
        self.say(
            Hello(0, "board", "1.0", BootReason.POWER, 10_000, Feature.LEVEL_SENSOR | Feature.DRAIN_VALVE)
        )

    def read(self, product_us: float, path: Flow = Flow.SHUT, level_sensor: float = 0.3) -> None:
        self._sequence += 1
        self.say(
            Reading(
                self._sequence, path, product_us=product_us, product_c=15.0 + 0.001 * self._sequence,
                feed_us=600.0, feed_c=15.0, level_sensor=level_sensor, switch_low=True, switch_full=False,
                switch_overflow=False, pulses=self._sequence,
            )
        )  # fmt: skip

    def heard(self) -> list[object]:
        """Returns the messages on the wire at this moment, without waiting."""
        try:
            return list(self._decoder.feed(os.read(self.master, 65536)))
        except BlockingIOError:
            return []

    def close(self) -> None:
        os.close(self.master)
        os.close(self._slave)


class SpiedKeeper(Keeper):
    """Records the messages on the wire when a message callback returns, in the same event loop iteration."""

    board: Board
    answers: list[list[object]]

    def received(self, what: Received | LinkDown) -> None:
        self.board.heard()
        super().received(what)
        if isinstance(what, Reading):
            self.answers.append(self.board.heard())


@asynccontextmanager
async def running(plan: BridgePlan) -> AsyncIterator[Daemon]:
    one = Daemon(plan)
    task = asyncio.create_task(one.run())
    try:
        await within(one.ready.wait(), "the daemon never was ready")
        yield one
    finally:
        one.stop()
        await within(task, "the daemon did not stop")


async def greeted(board: Board) -> None:
    await until(lambda: any(True for _ in board.heard()), "the bridge said nothing to its controller")


async def filling(board: Board, keeper: Keeper) -> None:
    """Sends readings of good water until the reservoir fills."""
    station = keeper.station

    def is_filling() -> bool:
        return station.state.phase is Phase.FILL and station.state.flow is Flow.TO_RESERVOIR

    def read() -> None:
        board.read(20.0, Flow.TO_RESERVOIR if station.state.flow is Flow.TO_RESERVOIR else Flow.SHUT)

    await until(is_filling, "no fill began", meanwhile=read)


async def answered(board: Board, product_us: float, path: Flow, sender: float = 0.3) -> list[object]:
    """Returns the messages on the wire after a spied keeper has handled one reading."""
    before = len(SpiedKeeper.answers)
    board.read(product_us, path, sender)
    await until(lambda: len(SpiedKeeper.answers) > before, "the reading never arrived")
    return SpiedKeeper.answers[before]
