"""Single questions to the devices on a Modbus RTU line, each with its answer or none. Shell.

Modbus RTU answers carry no number. After a time-out the line is therefore left alone for as long again, so
that a late answer is not taken for that to the next question.
"""

import asyncio
from collections.abc import Callable

from pymodbus import ModbusException
from pymodbus.client import AsyncModbusSerialClient
from pymodbus.pdu import ModbusPDU

from bridge.wire.messages import FAILED, Value
from bridge.wire.registers import Function, Quantity, Switch, other_order_fits, value


class Questions:
    """Asks over an open line.

    :param timeout_s: how long the client waits for an answer
    :param on_answer: called when any device answers
    :param on_note: called with a sentence worth a person's attention, perhaps often with the same one
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
        """A quantity; FAILED without an answer that means one, None where nothing is fitted."""
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
        """A switch; one that does not answer says what stops a fill."""
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
        """A coil or a discrete input; None without a usable answer."""
        ask = self._client.read_coils if function is Function.COIL else self._client.read_discrete_inputs
        answer = await self._exchange(lambda: ask(register, count=1, device_id=device))
        return None if answer is None or not answer.bits else bool(answer.bits[0])

    async def write(self, device: int, register: int, what: bool | int) -> bool:
        """Write a coil or a register; whether the device confirmed it."""
        if isinstance(what, bool):
            answer = await self._exchange(lambda: self._client.write_coil(register, what, device_id=device))
        else:
            answer = await self._exchange(
                lambda: self._client.write_register(register, what, device_id=device)
            )
        return answer is not None

    async def _exchange(self, ask: Callable[[], "asyncio.Future[ModbusPDU] | object"]) -> ModbusPDU | None:
        """One question; None when no usable answer came."""
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
                f"Device {getattr(answer, 'dev_id', 0)} on the Modbus line refuses a question (exception "
                f"{code}): "
                "compare device, function and register in the configuration with its manual."
            )
            return None
        return answer
