"""Simulates transmitters and a relay module at the far end of a Modbus line with a real server."""

import asyncio
import struct
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import dataclass, field

from pymodbus import FramerType
from pymodbus.constants import ExcCodes
from pymodbus.server import ModbusSerialServer
from pymodbus.simulator import DataType, SimData, SimDevice

from tests.waiting import until

CONDUCTIVITY, TEMPERATURE, LEVEL, TIME_LIMIT = 0, 2, 4, 16
FULL, OVERFLOW = 0, 1
DEVICE = 7


@dataclass
class Devices:
    """One device with all measurements and relays.

    A write to the time-limit register switches the first relay on for a number of tenths of a second, by the
    clock of the module. A module with ``ignores_time`` has no such clock.
    """

    conductivity_us_cm: float = 20.0
    temperature_c: float = 20.0
    level_m: float = 0.3
    low_first: bool = False
    refuses: set[int] = field(default_factory=set)
    """The register addresses that return an exception."""
    silent: bool = False
    late_s: float = 0.0
    ignores_time: bool = False
    full: bool = False
    overflow: bool = False
    relays: list[bool] = field(default_factory=lambda: [False, False])
    changes: list[tuple[float, int, bool]] = field(default_factory=list)
    """The changes of the relays: the time by the loop's clock, the relay, and the new state."""
    heard: list[tuple[float, int, int]] = field(default_factory=list)
    """The requests: the time, the function, and the address."""
    _timer: asyncio.TimerHandle | None = None
    _changed: asyncio.Condition = field(default_factory=asyncio.Condition)

    def switch(self, relay: int, on: bool) -> None:
        if self._timer is not None and relay == 0:
            self._timer.cancel()
            self._timer = None
        if self.relays[relay] is not on:
            self.relays[relay] = on
            self.changes.append((asyncio.get_running_loop().time(), relay, on))

    def limited(self, tenths: int) -> None:
        self.switch(0, True)
        if self.ignores_time:
            return
        loop = asyncio.get_running_loop()
        self._timer = loop.call_later(tenths / 10.0, self.switch, 0, False)

    async def until(self, so: Callable[["Devices"], bool], told: str) -> None:
        await until(lambda: so(self), lambda: f"{told}; relays {self.relays}, last heard {self.heard[-5:]}")

    async def answer(
        self, function: int, start: int, address: int, count: int, registers: list[int],
        values: list[int] | list[bool] | None,
    ) -> ExcCodes | None:  # fmt: skip
        self.heard.append((asyncio.get_running_loop().time(), function, address))
        if self.late_s:
            await asyncio.sleep(self.late_s)
        if function in (3, 4, 6) and address in self.refuses:
            return ExcCodes.ILLEGAL_ADDRESS
        if function == 5 and values is not None:
            self.switch(address, bool(values[0]))
        elif function == 6 and values is not None and address == TIME_LIMIT:
            self.limited(int(values[0]))
        self._show(function, start, registers)
        return None

    def _show(self, function: int, start: int, registers: list[int]) -> None:
        """Put the present measurements into the requested table."""
        if function in (1, 2):
            bits = self.relays if function == 1 else [self.full, self.overflow]
            for number, on in enumerate(bits):
                word, bit = divmod(number, 16)
                mask = 1 << bit
                registers[word] = registers[word] | mask if on else registers[word] & ~mask
            return
        high, low = struct.unpack(">HH", struct.pack(">f", self.conductivity_us_cm))
        words = {
            CONDUCTIVITY: low if self.low_first else high,
            CONDUCTIVITY + 1: high if self.low_first else low,
            TEMPERATURE: round(10 * self.temperature_c) & 0xFFFF,
            LEVEL: round(1000 * self.level_m),
        }
        for at, word in words.items():
            if 0 <= at - start < len(registers):
                registers[at - start] = word


@asynccontextmanager
async def serving(port: str, devices: Devices) -> AsyncIterator[ModbusSerialServer]:
    """Serve the devices on this port."""
    words = [SimData(0, count=32, values=0, datatype=DataType.REGISTERS)]
    bits = [SimData(0, count=16, values=False, datatype=DataType.BITS)]
    device = SimDevice(DEVICE, simdata=(bits, bits, words, words), action=devices.answer)

    def pass_on(sending: bool, data: bytes) -> bytes:
        return b"" if devices.silent else data

    server = ModbusSerialServer(
        device,
        framer=FramerType.RTU,
        port=port,
        baudrate=9600,
        trace_packet=pass_on,
        ignore_missing_devices=True,
    )
    await server.serve_forever(background=True)
    try:
        yield server
    finally:
        await server.shutdown()
