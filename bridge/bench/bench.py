"""A controller without the daemon, for the commands that talk to it: ``calibrate`` and ``commission``.

Shell. The link runs in a thread with an event loop of its own, so that it stays alive while a person is asked
something. As with the daemon, its first and last frame is a close.
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
"""Opening the port resets many boards, and a board may take three seconds to its hello."""
_END_S = 10.0
STOP_FIRST = (
    "If that is the daemon, stop it first (sudo systemctl stop clearwell, or Ctrl-C where it runs), and "
    "start it "
    "again afterwards."
)


@dataclass(frozen=True, slots=True)
class Heard:
    """A message, and the monotonic second at which it came."""

    at_s: float
    message: FromController


class Bench:
    """One controller at the other end of a cable. Use it as a context manager.

    Entering waits for the first good frame. Raises :class:`LinkError` there when the port cannot be used,
    with the daemon named where another program has it, and in :meth:`wait` when the line is lost.
    """

    def __init__(self, plan: StationPlan) -> None:
        self.plan = plan
        self._news: queue.Queue[Heard | LinkError] = queue.Queue()
        self._up = threading.Event()
        self._down: LinkDown | None = None
        self._ready = threading.Event()
        self._loop: asyncio.AbstractEventLoop | None = None
        self._link: Link | None = None
        self._thread = threading.Thread(target=self._run, name="bench", daemon=True)

    def __enter__(self) -> "Bench":
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
                    f"Nothing is heard from the controller at {self.plan.port}. Look at its supply, the "
                    "cable and "
                    "the speed of the line."
                )
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._stop()

    def say(self, make: Callable[[int], FromBridge]) -> int:
        """Put a message on the wire, made with the next number; that number.

        Raises :class:`LinkError` when the line cannot take it.
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
            raise LinkError(f"The line to {self.plan.port} takes nothing. Look at the cable.")
        return number

    def forget(self) -> None:
        """Drop what was heard and not yet looked at."""
        while True:
            try:
                news = self._news.get_nowait()
            except queue.Empty:
                return
            if isinstance(news, LinkError):
                raise news

    def wait(
        self, wanted: type[M], patience_s: float, so: Callable[[M], bool] = lambda _: True
    ) -> tuple[float, M] | None:
        """The next message of this kind for which ``so`` holds, and when it came; None after ``patience_s``.

        Raises :class:`LinkError` when the line is lost meanwhile.
        """
        until_s = time.monotonic() + patience_s
        while (left_s := until_s - time.monotonic()) > 0.0:
            heard = self._next(left_s)
            if heard is not None and isinstance(heard.message, wanted) and so(heard.message):
                return heard.at_s, heard.message
        return None

    def answer(self, number: int, patience_s: float) -> Ack | Refusal | None:
        """What the controller says to the command with this number."""
        until_s = time.monotonic() + patience_s
        while (left_s := until_s - time.monotonic()) > 0.0:
            heard = self._next(left_s)
            if heard is not None and isinstance(heard.message, Ack | Refusal) and heard.message.of == number:
                return heard.message
        return None

    def _next(self, patience_s: float) -> Heard | None:
        try:
            news = self._news.get(timeout=patience_s)
        except queue.Empty:
            return None
        if isinstance(news, LinkError):
            raise news
        return news

    def identify(self) -> None:
        """Ask the controller who it is; the answer is a hello."""
        self.say(Identify)

    def _stop(self) -> None:
        self._ready.wait(_END_S)
        loop, link = self._loop, self._link
        if loop is not None and link is not None and not loop.is_closed():
            loop.call_soon_threadsafe(link.finish)
        self._thread.join(_END_S)

    def _run(self) -> None:
        asyncio.run(self._serve())

    async def _serve(self) -> None:
        self._link = link_to(self.plan, on_message=self._on_message, on_link=self._on_link)
        self._loop = asyncio.get_running_loop()
        self._ready.set()
        await self._link.run()
        self._link = None

    def _on_message(self, message: FromController) -> None:
        self._news.put(Heard(time.monotonic(), message))

    def _on_link(self, news: LinkUp | LinkDown) -> None:
        if isinstance(news, LinkUp):
            self._up.set()
        else:
            self._down = news
            if self._up.is_set():
                self._news.put(news.error)
