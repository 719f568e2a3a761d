"""100,000 random messages from the hub to a real station do not open its valve while it must stay shut."""

import json
import random
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field, replace

import pytest

from bridge.demo import BRIDGE_ID, HURRIED, RESERVOIR, station
from bridge.guard.commands import CartridgeChanged, GuardCommand, Retest
from bridge.guard.model import Advisory, Flow, Permissive, Trip
from bridge.mqtt.commands import Accepted, Incoming, parse
from bridge.mqtt.properties import PROPERTIES
from bridge.mqtt.topics import Layout
from bridge.protocol.messages import FAILED, Close, FromBridge, Lease, LocalFault, Reading
from bridge.protocol.session import LinkUp
from bridge.rig.scenario import DEMO
from bridge.station.events import StationEvent
from bridge.station.station import Station

SEED = 20250615
MESSAGES = 100_000
LAYOUT = Layout(BRIDGE_ID, "Demo")
DEVICE = LAYOUT.device(RESERVOIR)
READINGS_EVERY = 10
"""Messages between two readings, which are a second apart: a flood, and time enough for a fill to begin."""

GOOD = Reading(
    0, Flow.SHUT, product_us=20.0, product_c=15.0, feed_us=600.0, feed_c=15.0, level_sensor=0.3,
    switch_low=True, switch_full=False, switch_overflow=False, pulses=0,
)  # fmt: skip
"""A low barrel and pure product: with this, water flows as soon as nothing else is in the way."""


@dataclass(frozen=True)
class Shut:
    """A reason for which no command may open the valve."""

    reading: Callable[[int], Reading | None]
    """What the controller sends in this second, once the trouble is there; None for silence."""
    missing: Permissive
    latched: Trip | None = None
    unsaid: tuple[type[GuardCommand], ...] = ()
    """Commands that would rightly end it, so nobody sends them here."""


def always(**wrong: object) -> Callable[[int], Reading | None]:
    return lambda _: replace(GOOD, **wrong)  # type: ignore[arg-type]


CASES: dict[str, Shut] = {
    "overflow float up": Shut(always(switch_overflow=True), Permissive.OVERFLOW_DOWN, Trip.OVERFLOW),
    "cell dry": Shut(always(product_us=0.0), Permissive.PROBE_HEALTHY, Trip.PROBE_FAILURE),
    "cell failed": Shut(always(product_us=FAILED), Permissive.PROBE_HEALTHY, Trip.PROBE_FAILURE),
    # Without its level sensor the switches give the level, unless they contradict each other.
    "level unknown": Shut(
        always(level_sensor=FAILED, switch_low=False, switch_full=True),
        Permissive.LEVEL_KNOWN,
        Trip.LEVEL_FAILURE,
    ),
    "controller silent": Shut(lambda _: None, Permissive.LINK_FRESH, Trip.LINK_LOST),
    "frost": Shut(always(product_c=0.4), Permissive.TEMPERATURE_IN_RANGE),
    "full": Shut(always(level_sensor=0.9, switch_full=True), Permissive.BELOW_FILL_MARK),
    "controller faulty": Shut(always(faults=LocalFault.SUPPLY_LOW), Permissive.CONTROLLER_SOUND),
    # A recorded cartridge change or a retest permits the reset of this trip. Without them a reset is refused.
    "product over limit": Shut(
        always(product_us=4000.0), Permissive.NO_TRIP, Trip.PRODUCT_OVER_LIMIT, (CartridgeChanged, Retest)
    ),
}


@dataclass
class Wire:
    """The line to the controller, with the frames sent on it."""

    opened: list[Lease] = field(default_factory=list)
    closed: int = 0
    number: int = 0

    def send(self, message: FromBridge) -> bool:
        if isinstance(message, Lease):
            self.opened.append(message)
        elif isinstance(message, Close):
            self.closed += 1
        return True

    def next_sequence(self) -> int:
        self.number = (self.number + 1) % 65536
        return self.number


class Garden:
    """A station without hub and line. The test advances its time."""

    def __init__(self) -> None:
        self.wire = Wire()
        self.now = 1000.0
        self.events: list[StationEvent] = []
        self.station = Station(
            station(DEMO, "nowhere", HURRIED, 0.5, 0.65), send=self.wire.send,
            next_sequence=self.wire.next_sequence, now=self.now, on_event=self.events.append,
            on_turn=lambda turn: self.events.extend(turn.events),
        )  # fmt: skip
        self.station.receive(LinkUp(), self.now)
        self._second = 0

    def pass_second(self, reading: Callable[[int], Reading | None]) -> None:
        """Runs several ticks of the bridge; at the end of the second the controller sends its readings."""
        for _ in range(4):
            self.now += 0.2
            self.station.tick(self.now)
        self.now += 0.2
        self._second += 1
        said = reading(self._second)
        if said is None:
            self.station.tick(self.now)
        else:
            # A cell's last digit always changes. A constant value would be another fault.
            moving = (
                said.product_c + 0.001 * (self._second % 7)
                if isinstance(said.product_c, float)
                else said.product_c
            )
            self.station.receive(replace(said, sequence=self._second % 65536, product_c=moving), self.now)


# --- messages -----------------------------------------------------------------------------------------

SETTABLE = [row for row in PROPERTIES if row.settable]
WORDS = [
    "true", "false", "start", "changed", "all", "", "0", "1", "-0", "49.9", "1e3", "1e400", "nan", "inf",
    "0x1F", "TRUE", " true", "true\n", "true\0", "١٢", "null", "[]", "{}", '"start"', "open", "OPEN", "fill",
    *(one.value for one in Trip), *(one.value for one in Advisory),
]  # fmt: skip
RIGHT = {
    "valve/hold": ("true", "false", "false"),
    "fill/start": ("start",),
    "product/retest": ("5", "12.5", "49"),
    "reservoir/sample": ("5", "12.5"),
    "purifier/cartridge-changed": ("changed",),
    "health/acknowledge": ("all", *(one.value for one in Trip)),
    "health/reset": ("all", *(one.value for one in Trip)),
    "weather/temperature": ("21.5", "-4"),
    "weather/humidity": ("65",),
    "weather/radiation": ("18.2",),
    "weather/wind": ("2.1",),
    "weather/rain": ("0", "7.5"),
}


def right(chance: random.Random, path: str) -> str:
    """Returns a payload that the property's description allows."""
    if path == "health/shelve":
        alarm = chance.choice([*Trip, *Advisory]).value
        return json.dumps({"alarm": alarm, "minutes": chance.choice([0, 1, 60, 1440, 0.5])})
    return chance.choice(RIGHT[path])


def anything(chance: random.Random) -> bytes:
    """Returns an invalid payload, or one that is nearly valid."""
    match chance.randrange(7):
        case 0:
            return chance.randbytes(chance.randrange(300))
        case 1:
            return "".join(chr(chance.randrange(0x300)) for _ in range(chance.randrange(40))).encode()
        case 2:
            text = bytearray(right(chance, chance.choice(SETTABLE).path).encode())
            text[chance.randrange(len(text))] ^= 1 << chance.randrange(8)
            return bytes(text)
        case 3:
            return right(chance, chance.choice(SETTABLE).path).encode()
        case 4:
            return (chance.choice(WORDS) * chance.choice([1, 1, 2, 100])).encode()
        case 5:
            nested: object = chance.choice(WORDS)
            for _ in range(chance.randrange(60)):
                nested = [nested] if chance.random() < 0.5 else {"alarm": nested, "minutes": nested}
                if len(str(nested)) > 400:
                    break
            return json.dumps(nested).encode()
        case _:
            return chance.choice(WORDS).encode()


def somewhere(chance: random.Random) -> str:
    """Returns a topic that is nearly a topic of the bridge."""
    levels = ["homie", "5", DEVICE, *chance.choice(SETTABLE).path.split("/"), "set"]
    for _ in range(chance.randrange(1, 3)):
        at = chance.randrange(len(levels))
        match chance.randrange(5):
            case 0:
                levels[at] = chance.choice(
                    ["", "+", "#", "$state", BRIDGE_ID, "valve", "decided", "homie", "6"]
                )
            case 1:
                del levels[at]
                levels = levels or [""]
            case 2:
                levels.insert(at, chance.choice(["set", "valve", "", "hold"]))
            case 3:
                levels[at] = levels[at].upper()
            case _:
                levels[at] += chance.choice(["\0", "/", " ", "é", "x" * 200])
    return "/".join(levels)


def message(chance: random.Random, now: float) -> Incoming:
    path = chance.choice(SETTABLE).path
    topic = f"{LAYOUT.base(DEVICE)}/{path}/set" if chance.random() < 0.8 else somewhere(chance)
    payload = right(chance, path).encode() if chance.random() < 0.6 else anything(chance)
    waited_s = chance.choice([0.0] * 8 + [9.9, 10.1, -1.0, float("nan"), float("inf")])
    return Incoming(topic, payload, chance.random() < 0.1, now, waited_s)


def bombard(garden: Garden, reading: Callable[[int], Reading | None], messages: int, seed: str,
            unsaid: tuple[type[GuardCommand], ...] = ()) -> Counter[str]:  # fmt: skip
    """Sends messages while time passes. Counts the valid and the accepted commands of each type."""
    chance = random.Random(f"{SEED} {seed}")
    identities = {DEVICE: replace(garden.station.plan.identity, needs_weather=True)}
    seen: Counter[str] = Counter()
    for number in range(messages):
        if number % READINGS_EVERY == 0:
            garden.pass_second(reading)
        incoming = message(chance, garden.now)
        answer = parse(LAYOUT, identities, incoming)
        if not isinstance(answer, Accepted):
            seen["refused"] += 1
            assert answer.sentence.isprintable(), f"{incoming} gave a line that is not fit for a log"
            continue
        # An accepted message is exactly one of the allowed commands, and was not retained.
        assert not incoming.retained
        assert incoming.topic.endswith("/set")
        if isinstance(answer.command, unsaid):
            continue
        seen[type(answer.command).__name__] += 1
        if garden.station.command(answer.command, garden.now) is None:
            seen["obeyed"] += 1
    return seen


@pytest.mark.parametrize("name", CASES)
def test_no_message_of_a_hundred_thousand_opens_the_valve_during_a_fault(name: str) -> None:
    case = CASES[name]
    garden = Garden()
    while not garden.wire.opened:
        garden.pass_second(always())
        assert garden.now < 1100.0, "the garden never fills, so a valve that stays shut would show nothing"
    for _ in range(60):
        garden.pass_second(case.reading)
    assert {case.latched} - {None} <= {latch.trip for latch in garden.station.state.latches}
    garden.wire.opened.clear()
    seen = bombard(garden, case.reading, -(-MESSAGES // len(CASES)), name, case.unsaid)
    assert garden.wire.opened == [], f"{name}: a message opened the valve"
    assert garden.station.decision is not None
    assert case.missing in garden.station.decision.missing
    if case.latched is not None:
        assert case.latched in {latch.trip for latch in garden.station.state.latches}
    # The parser refused thousands of messages, and thousands reached the guard.
    assert seen["refused"] > 3000
    assert seen["obeyed"] > 500
    for command in ("StartFill", "Reset", "Acknowledge", "Shelve", "Hold", "ReservoirSample"):
        assert seen[command] > 100, f"{command} hardly ever reached the guard"


def test_the_same_messages_start_fills_without_a_fault() -> None:
    garden = Garden()
    seen = bombard(garden, always(), 2000, "well")
    assert seen["obeyed"] > 100
    assert garden.wire.opened
