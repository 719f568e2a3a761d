"""The Modbus link handles transmitters, relays and their faults, with a real server at the other end."""

import asyncio
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import asynccontextmanager
from dataclasses import dataclass, field, replace
from functools import partial

import pytest

from bridge.config.modbus import ModbusTable
from bridge.guard.model import Flow
from bridge.protocol.messages import (
    FAILED,
    Ack,
    Close,
    FromController,
    Hello,
    Lease,
    LocalFault,
    Reading,
    Refusal,
)
from bridge.protocol.registers import ModbusMap, WordOrder, other_order_fits, value
from bridge.protocol.session import DownCause, LinkDown, LinkUp
from bridge.transport.modbus import ModbusLink
from tests.transport.modbus_line import CONDUCTIVITY, DEVICE, LEVEL, TEMPERATURE, TIME_LIMIT, Devices, serving
from tests.transport.null_modem import NullModem
from tests.waiting import until, within


def table(**valve: object) -> dict[str, object]:
    return {
        "poll_s": 0.1,
        "timeout_s": 0.1,
        "conductivity": {"device": DEVICE, "function": "input", "address": CONDUCTIVITY, "type": "float32"},
        "temperature": {
            "device": DEVICE, "function": "input", "address": TEMPERATURE, "type": "int16", "scale": 0.1,
        },
        "level": {
            "device": DEVICE, "function": "holding", "address": LEVEL, "type": "uint16", "scale": 0.001,
            "at_one": 0.76,
        },
        "full_switch": {"device": DEVICE, "address": 0},
        "overflow_float": {"device": DEVICE, "address": 1},
        "valve": {"device": DEVICE, "coil": 0, **valve},
    }  # fmt: skip


LIMITED = {"time_limit_register": TIME_LIMIT, "time_limit_step_s": 0.1}
PLAIN = {"relay_without_time_limit": True}


def plan(**valve: object) -> ModbusMap:
    return ModbusTable.model_validate(table(**(valve or PLAIN))).core()


@dataclass
class Ear:
    """Collects the messages, states and notes of a link."""

    messages: list[FromController] = field(default_factory=list)
    news: list[LinkUp | LinkDown] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)

    async def until(self, so: Callable[["Ear"], bool], told: str) -> None:
        await until(lambda: so(self), lambda: f"{told}; the last was {self.messages[-3:]} {self.news}")

    async def reading(self, so: Callable[[Reading], bool], told: str) -> Reading:
        count = len(self.messages)
        found: list[Reading] = []

        def there(me: "Ear") -> bool:
            found[:] = [m for m in me.messages[count:] if isinstance(m, Reading) and so(m)]
            return bool(found)

        await self.until(there, told)
        return found[0]


def confirmed(number: int, ear: Ear) -> bool:
    return any(isinstance(m, Ack) and m.of == number and m.path is Flow.TO_RESERVOIR for m in ear.messages)


@pytest.fixture
def cable() -> Iterator[NullModem]:
    with NullModem() as one:
        yield one


@asynccontextmanager
async def linked(
    port: str, modbus: ModbusMap, silence_s: float = 1.5
) -> AsyncIterator[tuple[ModbusLink, Ear]]:
    ear = Ear()
    link = ModbusLink(
        port, modbus, on_message=ear.messages.append, on_link=ear.news.append, on_note=ear.notes.append,
        first_wait_s=0.1, silence_s=silence_s,
    )  # fmt: skip
    task = asyncio.create_task(link.run())
    try:
        yield link, ear
    finally:
        link.finish()
        await within(task, "the link did not end")


async def test_transmitters_become_readings_in_the_units_of_the_map(cable: NullModem) -> None:
    devices = Devices(conductivity_us_cm=17.25, temperature_c=-1.5, level_m=0.57, full=True)
    async with serving(cable.far, devices), linked(cable.near, plan()) as (_, ear):
        # On a busy machine an answer may come too late for its reading.
        reading = await ear.reading(
            lambda m: FAILED not in (m.product_us, m.product_c, m.level_sensor), "no whole reading came"
        )
        assert isinstance(ear.news[0], LinkUp)
        assert isinstance(next(m for m in ear.messages if not isinstance(m, Ack)), Hello)
        assert reading.product_us == pytest.approx(17.25)
        assert reading.product_c == pytest.approx(-1.5)
        assert reading.level_sensor == pytest.approx(0.75, abs=0.001)
        assert (reading.switch_low, reading.switch_full, reading.switch_overflow) == (None, True, False)
        assert (reading.path, reading.faults, reading.feed_us) == (Flow.SHUT, LocalFault.NONE, None)


@pytest.mark.parametrize("valve", [LIMITED, PLAIN], ids=["time-limited", "plain"])
async def test_a_lease_opens_renewal_holds_and_silence_shuts(
    cable: NullModem, valve: dict[str, object]
) -> None:
    devices = Devices()
    async with serving(cable.far, devices), linked(cable.near, plan(**valve)) as (link, ear):
        await ear.reading(lambda m: True, "no reading came")
        for _ in range(4):
            number = link.next_sequence()
            assert link.send(Lease(number, Flow.TO_RESERVOIR, 3000))
            await ear.until(partial(confirmed, number), "a lease was not confirmed")
            await ear.reading(
                lambda m: m.path is Flow.TO_RESERVOIR, "the readings do not show the open valve"
            )
        if valve is LIMITED:
            # Without a cable no command of the bridge can shut it, only the module's own limit.
            cable.cut()
        await devices.until(lambda d: not d.relays[0], "the lease ran out, and the relay stayed on")
        assert [on for _, _, on in devices.changes] == [True, False], "the valve flickered between renewals"
        if valve is PLAIN:
            await ear.reading(lambda m: m.path is Flow.SHUT, "the readings do not show the shut valve")


async def test_close_goes_before_what_waits_and_the_end_of_the_link_shuts(cable: NullModem) -> None:
    devices = Devices()
    async with serving(cable.far, devices):
        async with linked(cable.near, plan()) as (link, ear):
            await ear.reading(lambda m: True, "no reading came")
            link.send(Lease(link.next_sequence(), Flow.TO_RESERVOIR, 20_000))
            await devices.until(lambda d: d.relays[0], "the valve did not open")
            link.send(Lease(link.next_sequence(), Flow.TO_RESERVOIR, 20_000))
            number = link.next_sequence()
            link.send(Close(number))
            await ear.until(
                lambda me: any(isinstance(m, Ack) and m.of == number for m in me.messages),
                "no answer to a close",
            )
            assert not devices.relays[0]
            link.send(Lease(link.next_sequence(), Flow.TO_RESERVOIR, 20_000))
            await devices.until(lambda d: d.relays[0], "the valve did not open again")
        assert not devices.relays[0], "the link ended and left its valve open"


async def test_the_bridge_is_the_second_line_behind_a_module_whose_time_limit_fails(cable: NullModem) -> None:
    devices = Devices(ignores_time=True)
    async with serving(cable.far, devices), linked(cable.near, plan(**LIMITED)) as (link, ear):
        await ear.reading(lambda m: True, "no reading came")
        link.send(Lease(link.next_sequence(), Flow.TO_RESERVOIR, 1000))
        await devices.until(lambda d: d.relays[0], "the valve did not open")
        await devices.until(lambda d: not d.relays[0], "nobody shut the valve")
        await ear.reading(
            lambda m: bool(m.faults & LocalFault.LEASE_LAPSED), "nobody says that the module failed"
        )


async def test_overflow_float_shuts_without_being_told_and_refuses_leases(cable: NullModem) -> None:
    devices = Devices()
    async with serving(cable.far, devices), linked(cable.near, plan(**LIMITED)) as (link, ear):
        await ear.reading(lambda m: True, "no reading came")
        link.send(Lease(link.next_sequence(), Flow.TO_RESERVOIR, 20_000))
        await devices.until(lambda d: d.relays[0], "the valve did not open")
        devices.overflow = True
        reading = await ear.reading(lambda m: m.switch_overflow is True, "the float is up and not reported")
        assert (reading.path, devices.relays[0]) == (Flow.SHUT, False)
        link.send(Lease(link.next_sequence(), Flow.TO_RESERVOIR, 1000))
        await ear.until(
            lambda me: any(isinstance(m, Refusal) and m.why == "overflow" for m in me.messages), "not refused"
        )
        assert not devices.relays[0]


async def test_a_drain_without_a_relay_for_it_is_refused(cable: NullModem) -> None:
    async with serving(cable.far, Devices()), linked(cable.near, plan()) as (link, ear):
        await ear.reading(lambda m: True, "no reading came")
        link.send(Lease(link.next_sequence(), Flow.TO_DRAIN, 1000))
        await ear.until(
            lambda me: any(isinstance(m, Refusal) and m.why == "nodrain" for m in me.messages), "not refused"
        )


async def test_an_exception_is_a_failed_value_and_told_once(cable: NullModem) -> None:
    devices = Devices(refuses={TEMPERATURE})
    async with serving(cable.far, devices), linked(cable.near, plan()) as (_, ear):
        for _ in range(3):
            reading = await ear.reading(lambda m: True, "no reading came")
            assert reading.product_c is FAILED
            assert reading.product_us == pytest.approx(20.0)
        (note,) = ear.notes
        assert "exception 2" in note
        devices.refuses.clear()
        await ear.reading(lambda m: m.product_c == pytest.approx(20.0), "the value did not come back")


async def test_words_in_the_wrong_order_are_no_value_and_the_right_order_is_named(cable: NullModem) -> None:
    async with serving(cable.far, Devices(low_first=True)), linked(cable.near, plan()) as (_, ear):
        reading = await ear.reading(lambda m: True, "no reading came")
        assert reading.product_us is FAILED
        assert reading.faults & LocalFault.CELL_RANGE
        assert any('word_order = "low-first"' in note for note in ear.notes)
    right = replace(plan().conductivity, order=WordOrder.LOW_FIRST)
    async with (
        serving(cable.far, Devices(low_first=True)),
        linked(cable.near, replace(plan(), conductivity=right)) as (_, ear),
    ):
        await ear.reading(lambda m: m.product_us == pytest.approx(20.0), "the right order gives no value")


async def test_time_outs_end_the_readings_and_the_link_and_it_comes_back_shut(cable: NullModem) -> None:
    devices = Devices()
    async with serving(cable.far, devices), linked(cable.near, plan(**LIMITED)) as (link, ear):
        await ear.reading(lambda m: True, "no reading came")
        link.send(Lease(link.next_sequence(), Flow.TO_RESERVOIR, 2000))
        await devices.until(lambda d: d.relays[0], "the valve did not open")
        devices.silent = True
        await ear.until(lambda me: isinstance(me.news[-1], LinkDown), "a line that is dead was not told")
        down = ear.news[-1]
        assert isinstance(down, LinkDown)
        assert down.cause is DownCause.SILENT
        await devices.until(lambda d: not d.relays[0], "the module's own time limit did not shut the valve")
        devices.silent = False
        await ear.until(lambda me: isinstance(me.news[-1], LinkUp), "the line works again, and is not used")
        reading = await ear.reading(lambda m: True, "no reading after the time-outs")
        assert reading.path is Flow.SHUT


async def test_a_late_answer_is_never_taken_for_that_to_another_question(cable: NullModem) -> None:
    """The same function of the same device reads temperature and conductivity."""
    devices = Devices(conductivity_us_cm=50.0, temperature_c=11.0)
    async with serving(cable.far, devices), linked(cable.near, plan()) as (_, ear):
        await ear.reading(lambda m: True, "no reading came")
        devices.late_s = 0.14
        asked = len(devices.heard)
        await devices.until(lambda d: len(d.heard) > asked + 20, "no further questions came")
        devices.late_s = 0.0
        await ear.reading(lambda m: m.product_us == pytest.approx(50.0), "the values did not come back")
        for message in ear.messages:
            if isinstance(message, Reading):
                assert message.product_us is FAILED or message.product_us == pytest.approx(50.0)
                assert message.product_c is FAILED or message.product_c == pytest.approx(11.0)


async def test_a_cut_cable_is_told_and_a_missing_device_too(cable: NullModem) -> None:
    async with serving(cable.far, Devices()), linked(cable.near, plan()) as (link, ear):
        await ear.reading(lambda m: True, "no reading came")
        cable.cut()
        await ear.until(lambda me: isinstance(me.news[-1], LinkDown), "a cut cable was not told")
        assert not link.is_up
        assert link.send(Lease(link.next_sequence(), Flow.TO_RESERVOIR, 1000)) is False or not link.is_up


def test_numbers_of_every_type_and_order() -> None:
    what = plan().conductivity
    assert value(what, [0x4188, 0x0000]) == 17.0
    assert value(what, [0x0000, 0x4188]) is None
    assert other_order_fits(what, [0x0000, 0x4188])
    assert value(what, [0x7FC0, 0x0000]) is None, "not a number was taken for one"
    assert value(what, [0x4188]) is None, "half a number was taken for one"
    celsius = plan().temperature
    assert value(celsius, [0xFFF1]) == pytest.approx(-1.5)
    assert value(celsius, [0x7FFF]) is None
    fahrenheit = ModbusTable.model_validate(
        {**table(**PLAIN), "temperature": {
            "device": 1, "function": "holding", "address": 0, "type": "int16", "scale": 0.1, "unit": "F",
        }}
    ).core().temperature  # fmt: skip
    assert value(fahrenheit, [680]) == pytest.approx(20.0)
