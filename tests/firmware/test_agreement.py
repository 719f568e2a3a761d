"""The simulated controller and the firmware's logic follow the same page and behave alike."""

import random

import pytest

from bridge.guard.model import Flow
from bridge.protocol.codec import Decoder, Direction, encode
from bridge.protocol.messages import (
    FAILED,
    Ack,
    BootReason,
    Close,
    Feature,
    FromBridge,
    Hello,
    Identify,
    Lease,
    LocalFault,
    Reading,
    Refusal,
)
from bridge.rig.controller import BOOT_S, Controller
from bridge.rig.sensors import Inputs
from tests.firmware.emulator import Build
from tests.firmware.host import WELL_SUPPLIED, Library
from tests.narrowing import of_kind

EVERYTHING = Feature(127)
TOLD = LocalFault.SELF_TEST | LocalFault.OVERFLOW_CUT | LocalFault.LEASE_LAPSED | LocalFault.SUPPLY_LOW
NOTHING = Inputs(FAILED, FAILED, None, None, None, None, None, None, None, LocalFault.NONE)
STEP_MS = 37
DURATIONS_MS = (500, 1020, 3015)
"""No sum of steps is within 12 ms of one of these: the page does not fix the last 20 ms of a lease."""


@pytest.fixture(scope="module")
def c(build: Build) -> Library:
    return Library(build.library)


class Pair:
    """One controller of each kind, with the same time, wires and commands."""

    def __init__(self, c: Library, features: Feature, self_test_failed: bool, supply_low: bool) -> None:
        self.c, self.supply_low, self.overflow = c, supply_low, False
        c.start(int(features), self_test_failed, 0 if supply_low else WELL_SUPPLIED)
        c.said()
        self.rig = Controller(features)
        self.rig.reset(0.0, BootReason.POWER, not self_test_failed)
        self.now_s = BOOT_S
        self.rig.watch(self.now_s, False, supply_low)
        self.rig.take()
        self._decoder = Decoder(Direction.TO_BRIDGE)
        self.wait(1)

    def wait(self, ms: int) -> None:
        for _ in range(ms):
            self.now_s += 0.001
            self.c.wait(1, self.overflow)
            self.rig.watch(self.now_s, self.overflow, self.supply_low)
        self.c.said()

    def told(self, message: FromBridge) -> tuple[object, object]:
        by_firmware = [_plain(one) for one in self.c.hear(encode(message))]
        self.rig.receive(encode(message), self.now_s)
        return by_firmware, [_plain(one) for one in self._decoder.feed(self.rig.take())]

    def faults(self) -> tuple[LocalFault, LocalFault]:
        self.c.wait(3 * STEP_MS, self.overflow)
        for _ in range(3 * STEP_MS):
            self.now_s += 0.001
            self.rig.watch(self.now_s, self.overflow, self.supply_low)
        by_firmware = [one for one in self.c.said() if isinstance(one, Reading)][-1].faults
        self.rig.report(self.now_s, NOTHING)
        (reading,) = self._decoder.feed(self.rig.take())
        return by_firmware & TOLD, of_kind(Reading, reading).faults & TOLD


def _plain(event: object) -> object:
    match event:
        case Ack(of=of, path=path):
            return "ack", of, path
        case Refusal(of=of, why=why):
            return "no", of, why
        case Hello():
            return "hello"
    return event


def _command(rng: random.Random, numbers: list[int]) -> FromBridge:
    match rng.randrange(8):
        case 0:
            return Identify(next_of(numbers))
        case 1:
            return Close(next_of(numbers))
        case 2 if len(numbers) > 1:
            return Lease(
                numbers[-1], rng.choice((Flow.TO_RESERVOIR, Flow.TO_DRAIN)), rng.choice(DURATIONS_MS)
            )
    path = rng.choice((Flow.TO_RESERVOIR, Flow.TO_RESERVOIR, Flow.TO_DRAIN))
    return Lease(next_of(numbers), path, rng.choice(DURATIONS_MS))


def next_of(numbers: list[int]) -> int:
    numbers.append(numbers[-1] + 1)
    return numbers[-1]


@pytest.mark.parametrize("self_test_failed", [False, True], ids=["sound", "self-test failed"])
@pytest.mark.parametrize("supply_low", [False, True], ids=["supplied", "supply low"])
@pytest.mark.parametrize("features", [EVERYTHING, EVERYTHING & ~Feature.DRAIN_VALVE], ids=["all", "no drain"])
def test_the_same_commands_have_the_same_answers_and_outputs(
    c: Library, features: Feature, supply_low: bool, self_test_failed: bool
) -> None:
    sound = not (supply_low or self_test_failed)
    for seed in range(12 if sound else 3):
        rng = random.Random(seed)
        pair = Pair(c, features, self_test_failed, supply_low)
        numbers = [100]
        for turn in range(40):
            if rng.random() < 0.15:
                pair.overflow = not pair.overflow
                pair.wait(STEP_MS)
            command = _command(rng, numbers)
            by_firmware, by_rig = pair.told(command)
            assert by_firmware == by_rig, (seed, turn, command)
            pair.wait(STEP_MS * rng.choice((0, 1, 3, 9, 20, 60)))
            assert pair.c.path is pair.rig.path, (seed, turn, command)
        assert len(set(pair.faults())) == 1, seed


def test_reasons_for_refusal_have_the_order_of_the_page(c: Library) -> None:
    pair = Pair(c, EVERYTHING & ~Feature.DRAIN_VALVE, True, True)
    pair.overflow = True
    pair.wait(1)
    assert pair.told(Lease(1, Flow.TO_DRAIN, 500)) == ([("no", 1, "overflow")],) * 2
    pair.overflow = False
    pair.wait(2100)
    assert pair.told(Lease(2, Flow.TO_DRAIN, 500)) == ([("no", 2, "supply")],) * 2
    pair = Pair(c, EVERYTHING & ~Feature.DRAIN_VALVE, True, False)
    assert pair.told(Lease(3, Flow.TO_DRAIN, 500)) == ([("no", 3, "fault")],) * 2
    pair = Pair(c, EVERYTHING & ~Feature.DRAIN_VALVE, False, False)
    assert pair.told(Lease(4, Flow.TO_DRAIN, 500)) == ([("no", 4, "nodrain")],) * 2


def test_a_repeated_grant_is_acknowledged_even_if_a_new_one_would_be_refused(
    c: Library,
) -> None:
    pair = Pair(c, EVERYTHING, False, False)
    assert pair.told(Lease(1, Flow.TO_RESERVOIR, 3015)) == ([("ack", 1, Flow.TO_RESERVOIR)],) * 2
    pair.overflow = True
    pair.wait(20)
    assert pair.told(Lease(1, Flow.TO_RESERVOIR, 3015)) == ([("ack", 1, Flow.SHUT)],) * 2


def test_after_a_close_the_other_path_opens_without_a_pause(c: Library) -> None:
    pair = Pair(c, EVERYTHING, False, False)
    pair.told(Lease(1, Flow.TO_RESERVOIR, 3015))
    pair.told(Close(2))
    assert pair.told(Lease(3, Flow.TO_DRAIN, 3015)) == ([("ack", 3, Flow.TO_DRAIN)],) * 2
