"""The link to transmitters and relays on a Modbus RTU line, with the methods of the serial link. Shell.

It takes the place of a controller: it polls the transmitters, makes readings, and writes leases to a relay,
with a timer **on this side of the cable**. The consequences:

- If the output of the relay module has its own time limit, each renewal writes the time again, and the module
  shuts if no renewal comes. So the lease holds, as exactly as the module keeps time. The timer on this side
  follows a little later as a second line of defence; bit 128 then reports that it had to act.
- If the relay is a plain one, nothing shuts the valve when this computer, its program or the cable fails. The
  configuration must accept that explicitly.
- A close waits for the request that is on the line, at most ``timeout_s``, and then goes first.
"""

import asyncio
import logging
from collections import deque
from collections.abc import Callable
from contextlib import suppress

from pymodbus import FramerType
from pymodbus.client import AsyncModbusSerialClient

from bridge.clock import Backoff
from bridge.guard.model import Flow
from bridge.protocol.messages import (
    FAILED,
    Ack,
    BootReason,
    Close,
    Feature,
    FromBridge,
    FromController,
    Hello,
    Identify,
    Lease,
    LocalFault,
    Reading,
    Refusal,
)
from bridge.protocol.registers import ModbusMap
from bridge.protocol.sequence import MODULUS
from bridge.protocol.session import DownCause, LinkDown, LinkUp, down
from bridge.transport.line import open_device
from bridge.transport.relays import LONGEST_LEASE_MS, Questions, Relays

__all__ = ["ModbusLink"]

_LAST_CLOSE_S = 2.0
# The library logs every time-out; this program reports each cause once, in its own words.
logging.getLogger("pymodbus").setLevel(logging.CRITICAL)


class ModbusLink:
    """A Modbus link that connects by itself and reconnects after a failure.

    Args:
        path: The device path.
        plan: The register map of the line.
        on_message: Receives each message, as if a controller had sent it.
        on_link: Receives each change between up and down.
        on_note: Receives, once each, the sentences that a person should read.
        baud: The speed of the line, bit/s.
        silence_s: The link is down if no device answers for this long.
        first_wait_s: The wait before the second attempt; doubled with each further attempt.
        longest_wait_s: The longest wait between attempts.
    """

    def __init__(
        self,
        path: str,
        plan: ModbusMap,
        *,
        on_message: Callable[[FromController], None],
        on_link: Callable[[LinkUp | LinkDown], None],
        on_note: Callable[[str], None] | None = None,
        baud: int = 9600,
        silence_s: float = 3.0,
        first_wait_s: float = 0.2,
        longest_wait_s: float = 10.0,
    ) -> None:
        self._path, self._plan, self._baud = path, plan, baud
        self._on_message, self._on_link, self._on_note = on_message, on_link, on_note
        self._silence_s = silence_s
        self._waits = Backoff(first_wait_s, longest_wait_s)
        self._client: AsyncModbusSerialClient | None = None
        self._orders: deque[FromBridge] = deque()
        self._news = asyncio.Event()
        self._finish = asyncio.Event()
        self._sequence = 0
        self._own_sequence = 0
        self._up = False
        self._answered_at = 0.0
        self._reported: tuple[DownCause, str] | None = None
        self._noted: set[str] = set()
        self._relays = Relays(plan)
        self._overflow_up = False

    @property
    def is_up(self) -> bool:
        """Whether the port is open and a device answers."""
        return self._up

    def next_sequence(self) -> int:
        """Return the number for the next message to send."""
        number = self._sequence
        self._sequence = (number + 1) % MODULUS
        return number

    def send(self, message: FromBridge) -> bool:
        """Queue a message; it is carried out before the next poll. A close drops everything queued before it.

        Never blocks. Returns False if the line is not open.
        """
        if isinstance(message, Close):
            self._orders.clear()
        elif self._client is None:
            return False
        self._orders.append(message)
        self._news.set()
        return self._client is not None

    def finish(self) -> None:
        """Switch every relay off, and make :meth:`run` return."""
        self._finish.set()
        self.send(Close(self.next_sequence()))

    async def run(self) -> None:
        """Keep the line up until :meth:`finish` or cancellation. The relays are switched off last."""
        while not self._finish.is_set():
            await self._session()
            if not self._finish.is_set():
                with suppress(TimeoutError):
                    async with asyncio.timeout(self._waits.wait_s()):
                        await self._finish.wait()

    # --- one session ------------------------------------------------------------------------------

    async def _session(self) -> None:
        loop = asyncio.get_running_loop()
        # Opened here first, because our own code reports the cause of a failure in plain words.
        port = await loop.run_in_executor(None, open_device, self._path, self._baud)
        if isinstance(port, LinkDown):
            self._report(port)
            return
        port.close()
        plan = self._plan
        client = AsyncModbusSerialClient(
            self._path, framer=FramerType.RTU, baudrate=self._baud, parity=plan.parity,
            stopbits=plan.stop_bits, timeout=plan.timeout_s, retries=0, reconnect_delay=0,
        )  # fmt: skip
        if not await client.connect():
            self._report(down(DownCause.UNUSABLE, self._path, "it was taken away while it was opened"))
            client.close()
            return
        self._client = client
        line = Questions(client, plan.timeout_s, self._alive, self._note)
        self._relays.begin()
        self._answered_at = loop.time()
        try:
            await self._relays.shut(line)
            await self._poll(line)
        finally:
            self._client = None
            self._up = False
            with suppress(TimeoutError, asyncio.CancelledError):
                await asyncio.wait_for(self._relays.shut(line), _LAST_CLOSE_S)
            client.close()

    async def _poll(self, line: Questions) -> None:
        loop = asyncio.get_running_loop()
        while not self._finish.is_set():
            began = loop.time()
            await self._measure(line)
            while not self._finish.is_set():
                await self._obey(line)
                now = loop.time()
                if not line.connected:
                    self._report(down(DownCause.LOST, self._path, "the line was closed"))
                    return
                if now - self._answered_at > self._silence_s:
                    self._report(down(DownCause.SILENT, self._path, f"{self._silence_s:g} s"))
                    return
                due = began + self._plan.poll_s
                if now >= due:
                    break
                due = min(due, self._relays.over_at)
                with suppress(TimeoutError):
                    async with asyncio.timeout(max(0.0, due - now)):
                        await self._news.wait()

    async def _obey(self, line: Questions) -> None:
        """Carry out the queued messages in order, and shut the relay of a lease that is over."""
        await self._relays.shut_when_over(line)
        self._news.clear()
        while self._orders:
            match self._orders.popleft():
                case Lease() as lease:
                    why = await self._relays.grant(line, lease, self._overflow_up)
                    if why is None:
                        self._say(Ack(self._own(), lease.sequence, lease.path))
                    else:
                        self._say(Refusal(self._own(), lease.sequence, why))
                case Close(sequence=number):
                    if await self._relays.shut(line):
                        self._say(Ack(self._own(), number, Flow.SHUT))
                    else:
                        # The relay is not off yet: repeat the close before anything else.
                        if not self._orders and not self._finish.is_set() and line.connected:
                            self._orders.append(Close(number))
                            return
                case Identify():
                    self._greet()

    # --- measuring --------------------------------------------------------------------------------

    async def _measure(self, line: Questions) -> None:
        plan = self._plan
        path = await self._relays.driven(line)
        faults = LocalFault.LEASE_LAPSED if self._relays.lapsed else LocalFault.NONE
        product_us = await line.number(plan.conductivity, "conductivity")
        if product_us is FAILED:
            faults |= LocalFault.CELL_RANGE
        product_c = await line.number(plan.temperature, "temperature")
        feed_us = await line.number(plan.feed_conductivity, "feed_conductivity")
        feed_c = await line.number(plan.feed_temperature, "feed_temperature")
        level_sensor = await line.number(plan.level, "level")
        low = await line.contact(plan.low_switch, False)
        full = await line.contact(plan.full_switch, True)
        overflow = await line.contact(plan.overflow_float, True)
        if path is None:
            # The flow must not be guessed. Without a reading the link becomes stale.
            return
        self._overflow_up = overflow is True
        if self._overflow_up:
            faults |= LocalFault.OVERFLOW_CUT
        path = await self._relays.agreed(line, path, self._overflow_up)
        self._say(
            Reading(
                self._own(), path, product_us, product_c, feed_us, feed_c, level_sensor, low, full, overflow,
                None, faults,
            )
        )  # fmt: skip

    # --- reporting ------------------------------------------------------------------------------------

    def _alive(self) -> None:
        self._answered_at = asyncio.get_running_loop().time()
        if not self._up and self._client is not None:
            self._up, self._reported = True, None
            self._waits.reset()
            self._on_link(LinkUp())
            self._greet()

    def _greet(self) -> None:
        plan = self._plan
        features = Feature.NONE
        for there, feature in (
            (plan.drain, Feature.DRAIN_VALVE),
            (plan.feed_conductivity, Feature.FEED_CELL),
            (plan.level, Feature.LEVEL_SENSOR),
            (plan.low_switch, Feature.SWITCH_LOW),
            (plan.full_switch, Feature.SWITCH_FULL),
            (plan.overflow_float, Feature.SWITCH_OVERFLOW),
        ):
            features |= feature if there is not None else Feature.NONE
        self._say(Hello(self._own(), "modbus", "rtu", BootReason.SOFTWARE, LONGEST_LEASE_MS, features))

    def _own(self) -> int:
        number = self._own_sequence
        # The number 0 means that a controller was reset, and here is none.
        self._own_sequence = number % (MODULUS - 1) + 1
        return number or self._own()

    def _say(self, message: FromController) -> None:
        self._on_message(message)

    def _report(self, news: LinkDown) -> None:
        self._up = False
        now = (news.cause, str(news.error))
        last, self._reported = self._reported, now
        if last != now:
            self._on_link(news)

    def _note(self, sentence: str) -> None:
        if sentence not in self._noted and self._on_note is not None:
            self._noted.add(sentence)
            self._on_note(sentence)
