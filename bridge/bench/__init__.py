"""A controller without the daemon, for the commands ``calibrate`` and ``commission``. Shell.

The link runs in a thread with its own event loop, so that it stays alive while a command waits for a person.
As with the daemon, its first and its last frame is a close.
"""

import asyncio
import queue
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from types import TracebackType
from typing import TypeVar

from bridge.errors import LinkError
from bridge.protocol.messages import Ack, FromBridge, FromController, Identify, Refusal
from bridge.protocol.session import DownCause, LinkDown, LinkUp
from bridge.station.plan import StationPlan
from bridge.transport.link import Link, link_to

M = TypeVar("M", bound=FromController)

FIRST_FRAME_S = 8.0
"""Longest wait for the first frame: opening the port resets many boards, and a reset may take 3 s."""
_END_S = 10.0
STOP_FIRST = (
    "If that is the daemon, stop it first (sudo systemctl stop clearwell, or Ctrl-C where it runs), and "
    "start it again afterwards."
)


@dataclass(frozen=True, slots=True)
class Received:
    """A message and the monotonic time of its arrival, s."""

    at_s: float
    message: FromController


class Bench:
    """One controller at the other end of a cable, as a context manager.

    Entering waits for the first good frame.

    Args:
        plan: The station of the controller.

    Raises:
        LinkError: On entering, the port cannot be used; if another program uses it, the message says so. In
            :meth:`wait`, :meth:`reply` and :meth:`discard`, the line is lost.
    """

    def __init__(self, plan: StationPlan) -> None:
        """Prepares the thread of the link; nothing is opened yet."""
        self.plan = plan
        self._received: queue.Queue[Received | LinkError] = queue.Queue()
        self._up = threading.Event()
        self._down: LinkDown | None = None
        self._ready = threading.Event()
        self._loop: asyncio.AbstractEventLoop | None = None
        self._link: Link | None = None
        self._thread = threading.Thread(target=self._run, name="bench", daemon=True)

    def __enter__(self) -> "Bench":
        """Opens the link and waits for the first good frame."""
        self._thread.start()
        until_s = time.monotonic() + FIRST_FRAME_S
        while not self._up.wait(0.05):
            down = self._down
            if down is not None and down.cause is not DownCause.SILENT:
                self._stop()
                also = f" {STOP_FIRST}" if down.cause is DownCause.BUSY else ""
                raise LinkError(f"{down.error}{also}")
            if time.monotonic() > until_s:
                self._stop()
                raise LinkError(
                    f"No frame came from the controller at {self.plan.port}. Check its supply, the cable "
                    "and the speed of the line."
                )
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Sends a close and ends the link."""
        self._stop()

    def send(self, make: Callable[[int], FromBridge]) -> int:
        """Sends a message.

        Args:
            make: Builds the message with its sequence number.

        Returns:
            The sequence number.

        Raises:
            LinkError: The line is closed, or accepts no bytes.
        """
        loop, link = self._loop, self._link
        if loop is None or link is None:
            raise LinkError(f"The line to {self.plan.port} is closed.")
        sent: queue.Queue[tuple[int, bool]] = queue.Queue()

        def put() -> None:
            number = link.next_sequence()
            sent.put((number, link.send(make(number))))

        loop.call_soon_threadsafe(put)
        number, taken = sent.get(timeout=_END_S)
        if not taken:
            raise LinkError(f"The line to {self.plan.port} accepts no bytes. Check the cable.")
        return number

    def discard(self) -> None:
        """Drops the messages that were received and not yet used."""
        while True:
            try:
                item = self._received.get_nowait()
            except queue.Empty:
                return
            if isinstance(item, LinkError):
                raise item

    def wait(
        self, wanted: type[M], timeout_s: float, condition: Callable[[M], bool] = lambda _: True
    ) -> tuple[float, M] | None:
        """Waits for a message.

        Args:
            wanted: The class of the message.
            timeout_s: Longest wait, s.
            condition: Whether a message of this class is the right one.

        Returns:
            The monotonic time of arrival and the message; None after the timeout.

        Raises:
            LinkError: The line is lost.
        """
        until_s = time.monotonic() + timeout_s
        while (left_s := until_s - time.monotonic()) > 0.0:
            received = self._next(left_s)
            if received is not None and isinstance(received.message, wanted) and condition(received.message):
                return received.at_s, received.message
        return None

    def reply(self, number: int, timeout_s: float) -> Ack | Refusal | None:
        """Waits for the acknowledgement or the refusal of a command.

        Args:
            number: The sequence number of the command.
            timeout_s: Longest wait, s.

        Returns:
            The reply; None after the timeout.

        Raises:
            LinkError: The line is lost.
        """
        until_s = time.monotonic() + timeout_s
        while (left_s := until_s - time.monotonic()) > 0.0:
            received = self._next(left_s)
            if (
                received is not None
                and isinstance(received.message, Ack | Refusal)
                and received.message.of == number
            ):
                return received.message
        return None

    def _next(self, timeout_s: float) -> Received | None:
        try:
            item = self._received.get(timeout=timeout_s)
        except queue.Empty:
            return None
        if isinstance(item, LinkError):
            raise item
        return item

    def identify(self) -> None:
        """Requests a hello from the controller."""
        self.send(Identify)

    def _stop(self) -> None:
        self._ready.wait(_END_S)
        loop, link = self._loop, self._link
        if loop is not None and link is not None and not loop.is_closed():
            loop.call_soon_threadsafe(link.finish)
        self._thread.join(_END_S)

    def _run(self) -> None:
        asyncio.run(self._serve())

    async def _serve(self) -> None:
        self._link = link_to(
            self.plan.port,
            self.plan.baud,
            self.plan.modbus,
            silence_s=self.plan.limits.stale_after_s,
            on_message=self._on_message,
            on_link=self._on_link,
        )
        self._loop = asyncio.get_running_loop()
        self._ready.set()
        await self._link.run()
        self._link = None

    def _on_message(self, message: FromController) -> None:
        self._received.put(Received(time.monotonic(), message))

    def _on_link(self, change: LinkUp | LinkDown) -> None:
        if isinstance(change, LinkUp):
            self._up.set()
        else:
            self._down = change
            if self._up.is_set():
                self._received.put(change.error)
