"""The link to one controller: opens the port, keeps it open, carries messages both ways.

The bridge's side of sections 5 and 8 of ``firmware_notes/protocol.md``.
"""

import asyncio
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, replace

import serial

from bridge.protocol.codec import Counts, Damaged, Decoder, Direction, Ignored, encode
from bridge.protocol.messages import Close, FromBridge, FromController, Identify
from bridge.protocol.sequence import MODULUS, Track, follow_message
from bridge.transport.line import DownCause, Line, LinkDown, down, open_device

__all__ = ["DownCause", "LinkDown", "LinkUp", "SerialLink"]

_STRAY = (Damaged, Ignored)


@dataclass(frozen=True, slots=True)
class LinkUp:
    """The first good frame since the link was down."""


class SerialLink:
    """A serial link that comes up by itself when it can. Run it as a task: ``tg.create_task(link.run())``.

    :param path: the device; give a stable one (``/dev/serial/by-id/...``), it is opened by name each time
    :param on_message: called with every fresh message, from the event loop, as its bytes arrive
    :param on_link: called when the link comes up, when it goes down, and when the cause changes while down
    :param on_stray: called with every damaged or ignored line
    :param baud: speed of the line, bit/s
    :param silence_s: without a fresh frame for this long the link counts as down, and is opened anew
    :param first_wait_s: wait before the first new attempt; doubled for each one until a good frame arrives
    :param longest_wait_s: the longest wait between attempts

    What a callback raises comes out of :meth:`run`.
    """

    def __init__(
        self,
        path: str,
        *,
        on_message: Callable[[FromController], None],
        on_link: Callable[[LinkUp | LinkDown], None],
        on_stray: Callable[[Damaged | Ignored], None] | None = None,
        baud: int = 115200,
        silence_s: float = 3.0,
        first_wait_s: float = 0.2,
        longest_wait_s: float = 10.0,
    ) -> None:
        self._path = path
        self._baud = baud
        self._on_message = on_message
        self._on_link = on_link
        self._on_stray = on_stray
        self._silence_s = silence_s
        self._first_wait_s = first_wait_s
        self._longest_wait_s = longest_wait_s
        self._wait_s = first_wait_s
        self._decoder = Decoder(Direction.TO_BRIDGE)
        self._track = Track()
        self._sequence = 0
        self._line: Line | None = None
        self._ended: asyncio.Future[LinkDown | None] | None = None
        self._heard_at = 0.0
        self._up = False
        self._reported: LinkDown | None = None
        self._fault: Exception | None = None
        self._finish = asyncio.Event()

    @property
    def counts(self) -> Counts:
        """What was received since the link was made: good, damaged and ignored lines."""
        return self._decoder.counts

    @property
    def track(self) -> Track:
        """Lost, duplicate and reordered frames of the controller since the link was made."""
        return self._track

    @property
    def is_up(self) -> bool:
        """Whether the port is open and fresh frames arrive."""
        return self._up

    @property
    def wait_s(self) -> float:
        """How long it will wait before the next attempt after a failure."""
        return self._wait_s

    def next_sequence(self) -> int:
        """The number for the next message to send."""
        number = self._sequence
        self._sequence = (number + 1) % MODULUS
        return number

    def send(self, message: FromBridge) -> bool:
        """Put a message on the wire now, before this call returns. False when the link cannot take it.

        It never waits. A :class:`Close` goes in front of whatever the device has not taken yet.
        Raises :class:`InputError` for a message that has no text form.
        """
        frame = encode(message)
        if self._line is None:
            return False
        return self._line.write(frame, urgent=isinstance(message, Close))

    def finish(self) -> None:
        """Send a close now, let it leave, and make :meth:`run` return."""
        self._finish.set()
        self.send(Close(self.next_sequence()))
        self._end(None)

    async def run(self) -> None:
        """Keep the link up until :meth:`finish` or cancellation; either sends a close as the last frame."""
        while not self._finish.is_set():
            await self._session()
            if not self._finish.is_set():
                await self._pause()

    async def _pause(self) -> None:
        wait_s, self._wait_s = self._wait_s, min(2 * self._wait_s, self._longest_wait_s)
        with suppress(TimeoutError):
            async with asyncio.timeout(wait_s):
                await self._finish.wait()

    async def _session(self) -> None:
        """Open the device, talk until something ends it, close it again."""
        port = await self._open()
        if isinstance(port, LinkDown):
            self._report(port)
            return
        ended = self._ended = asyncio.get_running_loop().create_future()
        self._fault = None
        self._decoder.restart()
        # Only the counts go on: where the numbers stood before an interruption says nothing now.
        self._track = replace(self._track, newest=None, late=None, late_run=0)
        line = self._line = Line(port, self._path, self._on_bytes, self._end)
        try:
            if self._finish.is_set():
                return
            self.send(Close(self.next_sequence()))
            self.send(Identify(self.next_sequence()))
            ending = await self._until(ended)
            if self._fault is not None:
                raise self._fault
            if ending is not None:
                # Told before the device is closed, which may take a moment.
                self._report(ending)
        finally:
            self._end(None)
            line.write(encode(Close(self.next_sequence())), urgent=True)
            await line.hang_up()

    async def _until(self, ended: "asyncio.Future[LinkDown | None]") -> LinkDown | None:
        """Wait for the end of the session; bring it about when nothing is heard."""
        loop = asyncio.get_running_loop()
        self._heard_at = loop.time()
        while not ended.done():
            left_s = self._heard_at + self._silence_s - loop.time()
            if left_s <= 0.0:
                self._end(down(DownCause.SILENT, self._path, f"{self._silence_s:g} s"))
            else:
                await asyncio.wait((ended,), timeout=left_s)
        return ended.result()

    async def _open(self) -> serial.Serial | LinkDown:
        opening = asyncio.get_running_loop().run_in_executor(None, open_device, self._path, self._baud)
        try:
            return await asyncio.shield(opening)
        except asyncio.CancelledError:
            # The thread goes on; what it opens must not stay open.
            opening.add_done_callback(_close_unused)
            raise

    def _end(self, ending: LinkDown | None) -> None:
        self._line = None
        self._up = False
        if self._ended is not None and not self._ended.done():
            self._ended.set_result(ending)

    def _report(self, ending: LinkDown) -> None:
        last, self._reported = self._reported, ending
        if last is None or (last.cause, str(last.error)) != (ending.cause, str(ending.error)):
            self._on_link(ending)

    def _on_bytes(self, data: bytes) -> None:
        try:
            for event in self._decoder.feed(data):
                if self._line is None:
                    return
                if not isinstance(event, _STRAY):
                    self._take(event)
                elif self._on_stray is not None:
                    self._on_stray(event)
        except Exception as error:  # noqa: BLE001 - a callback's fault belongs to whoever awaits run()
            self._fault = error
            self._end(None)

    def _take(self, message: FromController) -> None:
        self._track, arrival = follow_message(self._track, message)
        if not arrival.fresh:
            return
        self._heard_at = asyncio.get_running_loop().time()
        if not self._up:
            self._up = True
            self._wait_s = self._first_wait_s
            self._reported = None
            self._on_link(LinkUp())
        self._on_message(message)


def _close_unused(opening: "asyncio.Future[serial.Serial | LinkDown]") -> None:
    if not opening.cancelled() and opening.exception() is None:
        port = opening.result()
        if not isinstance(port, LinkDown):
            port.close()
