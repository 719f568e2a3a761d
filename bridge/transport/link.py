"""The link to one reservoir's controller: a serial line, or Modbus with a register map. Shell."""

import asyncio
import secrets
from collections import deque
from collections.abc import Callable
from contextlib import suppress
from typing import Protocol, assert_never

import serial

from bridge.clock import Backoff
from bridge.errors import InputError
from bridge.protocol.frame import Counts, Damaged, Ignored
from bridge.protocol.messages import FromBridge, FromController
from bridge.protocol.registers import ModbusMap
from bridge.protocol.sequence import MODULUS, Track
from bridge.protocol.session import (
    FIRST_WAIT_S,
    LONGEST_WAIT_S,
    ClosePort,
    LinkDown,
    LinkSession,
    LinkUp,
    OpenPort,
    Output,
    State,
    Write,
)
from bridge.transport.line import Line, open_device

_STRAY = (Damaged, Ignored)


class SerialLink:
    """A serial link that connects by itself and reconnects after a failure. Run :meth:`run` as a task.

    An exception of a callback is raised by :meth:`run`.

    Args:
        path: The device path. Use a stable one (``/dev/serial/by-id/...``): it is opened by name each time.
        on_message: Receives each fresh message in the event loop, as its bytes arrive.
        on_link: Called when the link comes up, when it goes down, and when the cause changes while down.
        on_stray: Receives each damaged or ignored line.
        baud: The speed of the line, bit/s.
        silence_s: The link is down, and the port is opened again, if no fresh reading arrives for this long.
        first_wait_s: The wait before the second attempt; doubled each time until a fresh reading arrives.
        longest_wait_s: The longest wait between attempts.
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
        first_wait_s: float = FIRST_WAIT_S,
        longest_wait_s: float = LONGEST_WAIT_S,
    ) -> None:
        self._path = path
        self._baud = baud
        self._on_message = on_message
        self._on_link = on_link
        self._on_stray = on_stray
        self._loop = asyncio.get_running_loop()
        self._session = LinkSession(
            path,
            self._loop.time(),
            silence_s,
            Backoff(first_wait_s, longest_wait_s),
            first_sequence=secrets.randbelow(MODULUS),
        )
        self._line: Line | None = None
        self._due: deque[Output] = deque()
        """The outputs of the session that :meth:`run` must still carry out."""
        self._wake = asyncio.Event()
        self._fault: Exception | None = None
        self._finished = False

    @property
    def counts(self) -> Counts:
        """The number of good, damaged and ignored lines since the link was made."""
        return self._session.counts

    @property
    def track(self) -> Track:
        """Lost, duplicate and late messages of the controller since the link was made."""
        return self._session.track

    @property
    def is_up(self) -> bool:
        """Whether the port is open and fresh readings arrive."""
        return self._session.is_up

    @property
    def wait_s(self) -> float:
        """The wait before the next attempt after a failure."""
        return self._session.wait_s

    def next_sequence(self) -> int:
        """Return the number for the next message to send."""
        return self._session.next_sequence()

    def send(self, message: FromBridge) -> bool:
        """Put a message on the wire before this call returns. Never blocks.

        Returns:
            False if the link cannot take it.

        Raises:
            InputError: The message has no text form.
        """
        write = self._session.send(message)
        return write is not None and self._write(write)

    def finish(self) -> None:
        """Send a close now, let it leave, and make :meth:`run` return."""
        self._finished = True
        self._follow(self._session.finish())

    async def run(self) -> None:
        """Keep the link up until :meth:`finish` or cancellation. The last frame is a close."""
        if self._finished:
            return
        self._session.begin(self._loop.time())
        self._fault = None
        try:
            while True:
                self._due += self._session.tick(self._loop.time())
                while self._due:
                    await self._carry_out(self._due.popleft())
                if self._fault is not None:
                    raise self._fault
                if self._session.state is State.FINISHED:
                    return
                with suppress(TimeoutError):
                    async with asyncio.timeout_at(self._session.next_due):
                        await self._wake.wait()
                self._wake.clear()
        finally:
            self._follow(self._session.finish())
            self._due.clear()
            await self._hang_up()

    def _follow(self, outputs: list[Output]) -> None:
        """Write frames at once, and leave the other outputs to :meth:`run`."""
        for output in outputs:
            if isinstance(output, Write):
                self._write(output)
            else:
                self._due.append(output)
        self._wake.set()

    async def _carry_out(self, output: Output) -> None:
        match output:
            case Write():
                self._write(output)
            case LinkUp() | LinkDown():
                self._on_link(output)
            case OpenPort():
                await self._open()
            case ClosePort():
                await self._hang_up()
                self._session.closed(self._loop.time())
            case _:
                assert_never(output)

    def _write(self, write: Write) -> bool:
        return self._line is not None and self._line.write(write.frame, write.urgent)

    async def _open(self) -> None:
        opening = self._loop.run_in_executor(None, open_device, self._path, self._baud)
        try:
            port = await asyncio.shield(opening)
        except asyncio.CancelledError:
            # The thread continues; the port that it opens must not stay open.
            opening.add_done_callback(_close_unused)
            raise
        if isinstance(port, LinkDown):
            self._due += self._session.open_failed(port, self._loop.time())
        else:
            self._line = Line(port, self._path, self._on_bytes, self._on_end)
            self._due += self._session.opened(self._loop.time())

    async def _hang_up(self) -> None:
        line, self._line = self._line, None
        if line is not None:
            await line.hang_up()

    def _on_end(self, ending: LinkDown) -> None:
        self._follow(self._session.failed(ending))

    def _on_bytes(self, data: bytes) -> None:
        session = self._session
        try:
            for received in session.bytes(data, self._loop.time()):
                if not session.is_open:
                    return
                if isinstance(received, LinkUp):
                    self._on_link(received)
                elif not isinstance(received, _STRAY):
                    self._on_message(received)
                elif self._on_stray is not None:
                    self._on_stray(received)
        except Exception as error:  # noqa: BLE001 - run() raises the fault of a callback
            self._fault = error
            self._follow(session.finish())


def _close_unused(opening: "asyncio.Future[serial.Serial | LinkDown]") -> None:
    if not opening.cancelled() and opening.exception() is None:
        port = opening.result()
        if not isinstance(port, LinkDown):
            port.close()


class Link(Protocol):
    """The methods of every link."""

    def next_sequence(self) -> int:
        """Return the number for the next message to send."""

    def send(self, message: FromBridge) -> bool:
        """Send a message. Never blocks. Returns False if the line cannot take it."""

    def finish(self) -> None:
        """Close the valve, and make :meth:`run` return."""

    async def run(self) -> None:
        """Keep the link up until :meth:`finish` or cancellation. A close is sent last."""


def link_to(
    port: str,
    baud: int,
    modbus: ModbusMap | None,
    *,
    silence_s: float,
    on_message: Callable[[FromController], None],
    on_link: Callable[[LinkUp | LinkDown], None],
    on_stray: Callable[[Damaged | Ignored], None] | None = None,
    on_note: Callable[[str], None] | None = None,
) -> Link:
    """Return a link that is not open yet. Run it as a task.

    Args:
        port: The device path.
        baud: The speed of the line.
        modbus: The register map of a Modbus line. None for the line protocol.
        silence_s: The link is down if no fresh message arrives for this long.
        on_message: Receives each message.
        on_link: Receives each change between up and down.
        on_stray: Receives each frame that is damaged or ignored.
        on_note: Receives each sentence about the line that a person should read.

    Raises:
        InputError: There is a register map, and the Modbus library is not installed.
    """
    if modbus is None:
        return SerialLink(
            port, on_message=on_message, on_link=on_link, on_stray=on_stray, baud=baud, silence_s=silence_s
        )
    try:
        from bridge.transport.modbus import ModbusLink
    except ImportError as error:
        raise InputError(
            "The configuration has a table modbus, and the library for it is not installed. Install it with: "
            "pip install 'pymodbus>=3.11,<4'"
        ) from error
    return ModbusLink(
        port, modbus, on_message=on_message, on_link=on_link, on_note=on_note, baud=baud, silence_s=silence_s
    )
