"""The requests on a Modbus RTU line, and the relays with the lease on this side of the cable. Shell.

If a relay has its own time limit, each lease and each renewal writes that time; the timer here follows a
little later as a second line of defence. Any other relay is switched on, and off when the lease is over. A
relay that does not confirm counts as open until it does.

Responses in Modbus RTU have no number. After a time-out the line is therefore left idle for the same time, so
that a late response is not taken for the response to the next request.
"""

import asyncio
import math
from collections.abc import Callable

from pymodbus import ModbusException
from pymodbus.client import AsyncModbusSerialClient
from pymodbus.pdu import ModbusPDU

from bridge.guard.model import Flow
from bridge.protocol.messages import FAILED, Lease, Value
from bridge.protocol.registers import (
    Function,
    ModbusMap,
    Quantity,
    Relay,
    Switch,
    other_order_fits,
    value,
)


class Questions:
    """Sends requests over an open line, one at a time.

    Args:
        client: The open client.
        timeout_s: The longest time that the client waits for a response.
        on_answer: Called when any device responds.
        on_note: Called with a sentence that a person should read, perhaps often with the same one.
    """

    def __init__(
        self,
        client: AsyncModbusSerialClient,
        timeout_s: float,
        on_answer: Callable[[], None],
        on_note: Callable[[str], None],
    ) -> None:
        self._client = client
        self._timeout_s = timeout_s
        self._on_answer, self._on_note = on_answer, on_note

    @property
    def connected(self) -> bool:
        """Whether the line is still open."""
        return self._client.connected

    async def number(self, what: Quantity | None, name: str) -> Value:
        """Return a quantity, FAILED without a usable response, or None if nothing is fitted."""
        if what is None:
            return None
        registers = await self._registers(what)
        if registers is None:
            return FAILED
        found = value(what, registers)
        if found is not None:
            return found
        if other_order_fits(what, registers):
            self._on_note(
                f"The {name} on the Modbus line is no possible value, and would be one with the words of its "
                f'number exchanged: try word_order = "{what.order.other.value}".'
            )
        return FAILED

    async def contact(self, what: Switch | None, safe: bool) -> bool | None:
        """Return the state of a switch; without a response the state that stops a fill, ``safe``."""
        if what is None:
            return None
        bit = await self.bit(what.device, what.function, what.register)
        return safe if bit is None else bit is what.water_when

    async def _registers(self, what: Quantity) -> list[int] | None:
        holding = what.function is Function.HOLDING
        ask = self._client.read_holding_registers if holding else self._client.read_input_registers
        count = what.number.registers
        answer = await self._exchange(lambda: ask(what.register, count=count, device_id=what.device))
        return None if answer is None or len(answer.registers) != count else list(answer.registers)

    async def bit(self, device: int, function: Function, register: int) -> bool | None:
        """Return a coil or a discrete input, or None without a usable response."""
        ask = self._client.read_coils if function is Function.COIL else self._client.read_discrete_inputs
        answer = await self._exchange(lambda: ask(register, count=1, device_id=device))
        return None if answer is None or not answer.bits else bool(answer.bits[0])

    async def write(self, device: int, register: int, what: bool | int) -> bool:
        """Write a coil or a register. Returns whether the device confirmed it."""
        if isinstance(what, bool):
            answer = await self._exchange(lambda: self._client.write_coil(register, what, device_id=device))
        else:
            answer = await self._exchange(
                lambda: self._client.write_register(register, what, device_id=device)
            )
        return answer is not None

    async def _exchange(self, ask: Callable[[], "asyncio.Future[ModbusPDU] | object"]) -> ModbusPDU | None:
        """Send one request. Returns None without a usable response."""
        if not self._client.connected:
            return None
        try:
            answer = await ask()  # type: ignore[misc]
        except ModbusException:
            await asyncio.sleep(self._timeout_s)
            return None
        self._on_answer()
        if not isinstance(answer, ModbusPDU) or answer.isError():
            code = getattr(answer, "exception_code", 0)
            self._on_note(
                f"Device {getattr(answer, 'dev_id', 0)} on the Modbus line refuses a request (exception "
                f"{code}). "
                "Compare device, function and register in the configuration with its manual."
            )
            return None
        return answer


LONGEST_LEASE_MS = 30_000
_SECOND_LINE_S = 0.5


class Relays:
    """The relay of the valve, and that of the drain if there is one; mutable."""

    def __init__(self, plan: ModbusMap) -> None:
        self._plan = plan
        self._granted = Flow.SHUT
        self._until = 0.0
        self._lapsed = False

    @property
    def lapsed(self) -> bool:
        """Whether the timer on this side had to shut the valve, with no lease granted since."""
        return self._lapsed

    @property
    def over_at(self) -> float:
        """The end of the lease on the loop's clock; infinity without a lease."""
        return math.inf if self._granted is Flow.SHUT else self._until

    def begin(self) -> None:
        """Forget the lease of an earlier session."""
        self._granted = Flow.SHUT

    async def grant(self, line: Questions, lease: Lease, overflow_up: bool) -> str | None:
        """Carry out a lease. Returns None, or the reason for a refusal, with every relay off."""
        relay = self._relay(lease.path)
        if relay is None:
            await self.shut(line)
            return "nodrain"
        if overflow_up:
            await self.shut(line)
            return "overflow"
        if self._granted not in (Flow.SHUT, lease.path) and not await self.shut(line):
            return "relay"
        seconds = min(lease.duration_ms, LONGEST_LEASE_MS) / 1000.0
        # Counted from before the write: never longer than granted.
        until = asyncio.get_running_loop().time() + seconds
        if relay.time_limit_register is not None:
            until += _SECOND_LINE_S
            steps = max(1, int(seconds / relay.time_limit_step_s))
            done = await line.write(relay.device, relay.time_limit_register, steps)
        elif self._granted is lease.path:
            done = True
        else:
            done = await line.write(relay.device, relay.coil, True)
        if not done:
            # A write without a response may still have been carried out.
            await self.shut(line)
            return "relay"
        self._granted, self._until, self._lapsed = lease.path, until, False
        return None

    async def shut(self, line: Questions) -> bool:
        """Switch every relay off. Returns False if one did not confirm."""
        confirmed = True
        for relay in (self._plan.valve, self._plan.drain):
            if relay is not None:
                confirmed = await line.write(relay.device, relay.coil, False) and confirmed
        if confirmed:
            self._granted = Flow.SHUT
        return confirmed

    async def shut_when_over(self, line: Questions) -> None:
        """Switch the relays off if the lease is over."""
        if asyncio.get_running_loop().time() >= self.over_at:
            self._lapsed = await self.shut(line) or self._lapsed

    async def driven(self, line: Questions) -> Flow | None:
        """Return the flow that the relays report, or None if one does not respond."""
        states = {}
        for path in (Flow.TO_RESERVOIR, Flow.TO_DRAIN):
            relay = self._relay(path)
            if relay is not None:
                states[path] = await line.bit(relay.device, Function.COIL, relay.coil)
        if None in states.values():
            return None
        opened = [path for path, on in states.items() if on]
        return opened[0] if opened else Flow.SHUT

    async def agreed(self, line: Questions, path: Flow, overflow_up: bool) -> Flow:
        """Make the relays and the lease agree. Returns the flow after that."""
        if path is Flow.SHUT:
            if self._granted is not Flow.SHUT and self._has_time_limit(self._granted):
                # The module's own time limit acted first, as intended.
                self._granted = Flow.SHUT
            return path
        if self._granted is Flow.SHUT or overflow_up:
            return Flow.SHUT if await self.shut(line) else path
        return path

    def _has_time_limit(self, path: Flow) -> bool:
        relay = self._relay(path)
        return relay is not None and relay.time_limit_register is not None

    def _relay(self, path: Flow) -> Relay | None:
        return self._plan.valve if path is Flow.TO_RESERVOIR else self._plan.drain
