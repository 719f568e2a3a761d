"""One connection: its end, and the result for each waiting caller."""

import asyncio
import signal

import pytest

from bridge.mqtt.broker import BrokerSettings, BrokerTrouble, MqttVersion
from bridge.mqtt.session import Session
from bridge.mqtt.topics import Publication
from tests.brokers import AnyBroker, Mosquitto
from tests.waiting import DEADLINE_S, within

MESSAGE = Publication("a/b", "1", 1, False)


def to(broker: AnyBroker) -> BrokerSettings:
    return BrokerSettings(broker.host, "one", broker.port, version=MqttVersion(broker.newest))


async def test_a_closed_connection_ends_without_an_error_and_sends_no_more(broker: AnyBroker) -> None:
    async with Session(to(broker), answer_s=DEADLINE_S) as session:
        await session.deliver([MESSAGE] * 30)
        assert session.room > 0
    assert session.ended.result() is None
    with pytest.raises(BrokerTrouble):
        session.publish(MESSAGE)


async def test_the_reason_of_a_broker_that_disconnects_is_reported() -> None:
    """The test builds the packets, since the installed broker sends no reason.

    Source: MQTT Version 5.0 (OASIS Standard), sections 3.2 and 3.14.
    """

    async def throw_out(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await reader.read(1000)
        writer.write(bytes((0x20, 3, 0, 0, 0)) + bytes((0xE0, 2, 0x8E, 0)))
        writer.close()

    server = await asyncio.start_server(throw_out, "127.0.0.1", 0)
    settings = BrokerSettings("127.0.0.1", "one", server.sockets[0].getsockname()[1])
    async with server, Session(settings, answer_s=DEADLINE_S) as session:
        with pytest.raises(BrokerTrouble, match="the broker ended it: Session taken over"):
            await within(asyncio.shield(session.ended))


async def test_a_hanging_broker_ends_every_wait(mosquitto: Mosquitto) -> None:
    async with Session(to(mosquitto), answer_s=0.2) as session:
        mosquitto.signal(signal.SIGSTOP)
        try:
            waiting = [session.deliver([MESSAGE]) for _ in range(3)]
            told = await within(asyncio.gather(*waiting, return_exceptions=True))
        finally:
            mosquitto.signal(signal.SIGCONT)
        assert [type(one) for one in told] == [TimeoutError] * 3
        assert isinstance(session.ended.exception(), TimeoutError)
