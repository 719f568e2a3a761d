"""The tests of the commissioning checklist that a program can watch, one after the other.

Core of ``clearwell commission``: it talks to a controller through a ``Bench`` and to a
person through ``ask``, and knows nothing of a terminal. Every opening of the valve is one lease of a few
seconds, and whatever fails is followed by a close.
"""

import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from enum import Enum

from bridge.bench.bench import Bench, Heard
from bridge.config.modbus import CANNOT_PROMISE
from bridge.guard.model import Flow
from bridge.protocol.messages import Close, Feature, Hello, Lease, LocalFault, Reading, Refusal
from bridge.station.plan import StationPlan

ANSWER_S = 3.0
SECOND_MS = 1000
TOLD_S = 1.5
CUT_MS = 8000
LAPSE_MS = 3000
LATE_S = 0.3
"""What lies between a valve that moves and this program hearing of it, at most: a reading, and the line."""
EARLY_S = 0.2
REST_S = 15.0
"""An overflow float that was up keeps leases refused for 2 s."""


class Verdict(Enum):
    """How a test ended."""

    PASSED = "passed"
    FAILED = "FAILED"
    NOT_FITTED = "not fitted"
    NOT_DONE = "not done"


@dataclass(frozen=True, slots=True)
class Result:
    """One line of the record."""

    test: str
    verdict: Verdict
    seen: str


Ask = Callable[[str], bool]
"""Tells a person what to do, and waits until it is done; False when it is not to be done."""


@dataclass(frozen=True, slots=True)
class _Float:
    name: str
    feature: Feature
    state: Callable[[Reading], bool | None]


FLOATS = (
    _Float("low", Feature.SWITCH_LOW, lambda reading: reading.switch_low),
    _Float("full", Feature.SWITCH_FULL, lambda reading: reading.switch_full),
    _Float("overflow", Feature.SWITCH_OVERFLOW, lambda reading: reading.switch_overflow),
)


class Walk:
    """Walks the checklist; iterate over :meth:`results`."""

    def __init__(self, bench: Bench, plan: StationPlan, ask: Ask) -> None:
        self._bench, self._plan, self._ask = bench, plan, ask
        self.hello: Hello | None = None

    def results(self) -> Iterator[Result]:
        """Each test as it ends. After a failed one the valve is shut, and the next begins at rest."""
        tests: list[Callable[[], Result]] = [self._who, self._cell]
        tests += [lambda one=one: self._lift(one) for one in FLOATS]  # type: ignore[misc]
        tests += [self._second, self._cut, self._lapse, self._at_rest]
        for test in tests:
            try:
                yield test()
            finally:
                self._bench.say(Close)
            if self.hello is None:
                return

    # --- what is there ----------------------------------------------------------------------------

    def _who(self) -> Result:
        name = "The controller says who it is and what is fitted"
        self._bench.identify()
        heard = self._bench.wait(Hello, ANSWER_S)
        if heard is None:
            return Result(name, Verdict.FAILED, "no answer")
        hello = self.hello = heard[1]
        wanted = self._expected()
        missing, more = wanted & ~hello.features, hello.features & ~wanted & ~Feature.FLOW_PULSES
        seen = f"{hello.identity} {hello.firmware}, longest lease {hello.longest_lease_ms} ms"
        for what, features in (
            ("not fitted, and in the configuration", missing),
            ("not in the configuration", more),
        ):
            if features:
                names = ", ".join(feature.name or "" for feature in features).lower().replace("_", " ")
                seen += f"; {what}: {names}"
        return Result(name, Verdict.FAILED if missing else Verdict.PASSED, seen)

    def _expected(self) -> Feature:
        level, limits = self._plan.level, self._plan.limits
        expected = Feature.NONE
        for there, feature in (
            (limits.has_drain, Feature.DRAIN_VALVE),
            (self._plan.feed is not None, Feature.FEED_CELL),
            (self._plan.litres_per_pulse is not None, Feature.FLOW_PULSES),
            (level.level_sensor is not None, Feature.LEVEL_SENSOR),
            (level.low_switch, Feature.SWITCH_LOW),
            (level.full_switch, Feature.SWITCH_FULL),
            (level.overflow_switch, Feature.SWITCH_OVERFLOW),
        ):
            expected |= feature if there else Feature.NONE
        return expected

    def _cell(self) -> Result:
        name = "A dry cell is no value, not pure water"
        if not self._ask("Unplug the product cell, or let it run dry."):
            return Result(name, Verdict.NOT_DONE, "")
        heard = self._soon(lambda reading: not isinstance(reading.product_us, float), ANSWER_S)
        if heard is None:
            return Result(name, Verdict.FAILED, f"the reading is {self._latest().product_us} µS")
        self._ask("Plug it in again, in water.")
        return Result(name, Verdict.PASSED, "no value")

    def _lift(self, one: _Float) -> Result:
        name = f"The {one.name} float, lifted and let go"
        if self.hello is None or not self.hello.features & one.feature:
            return Result(name, Verdict.NOT_FITTED, "")
        states = (one.state, *(other.state for other in FLOATS if other is not one))
        if not self._ask(f"Let all floats hang free. Next the {one.name} float is to be lifted by hand."):
            return Result(name, Verdict.NOT_DONE, "")
        down = self._soon(lambda reading: one.state(reading) is False, ANSWER_S)
        if down is None:
            return Result(name, Verdict.FAILED, "it says that it is up while it hangs free")
        before = [state(down) for state in states[1:]]
        if not self._ask(f"Lift the {one.name} float now and hold it."):
            return Result(name, Verdict.NOT_DONE, "")
        up = self._soon(lambda reading: one.state(reading) is True, ANSWER_S)
        if up is None:
            return Result(name, Verdict.FAILED, "nothing changed")
        if [state(up) for state in states[1:]] != before:
            return Result(name, Verdict.FAILED, "another float changed with it")
        if not self._ask("Let it go."):
            return Result(name, Verdict.NOT_DONE, "")
        cut = LocalFault.OVERFLOW_CUT
        if (
            self._soon(lambda reading: one.state(reading) is False and not reading.faults & cut, REST_S)
            is None
        ):
            return Result(name, Verdict.FAILED, "it stays up")
        return Result(name, Verdict.PASSED, "down, up, down")

    # --- the valve --------------------------------------------------------------------------------

    def _second(self) -> Result:
        name = "A lease of one second: the valve opens and shuts by itself"
        if not self._ask("The valve will open for one second. Listen: it must click twice."):
            return Result(name, Verdict.NOT_DONE, "")
        opened = self._open(SECOND_MS)
        if isinstance(opened, str):
            return Result(name, Verdict.FAILED, opened)
        result = self._held(name, opened, SECOND_MS)
        if result.verdict is Verdict.PASSED and not self._ask("Did you hear it click open and shut?"):
            return Result(name, Verdict.FAILED, f"{result.seen} by the controller's word, and no click heard")
        return result

    def _lapse(self) -> Result:
        name = "The bridge falls silent (kill test): the lease lapses"
        modbus = self._plan.modbus
        if modbus is not None and modbus.valve.time_limit_register is None:
            return Result(name, Verdict.NOT_FITTED, f"{CANNOT_PROMISE}; the configuration accepts it")
        if not self._ask(
            f"The valve will open for {LAPSE_MS / 1000:g} s and nothing will be said to it any more."
        ):
            return Result(name, Verdict.NOT_DONE, "")
        opened = self._open(LAPSE_MS)
        if isinstance(opened, str):
            return Result(name, Verdict.FAILED, opened)
        result = self._held(name, opened, LAPSE_MS)
        if result.verdict is not Verdict.PASSED:
            return result
        if modbus is not None:
            return self._who_shut(result)
        told = self._soon(lambda reading: bool(reading.faults & LocalFault.LEASE_LAPSED), TOLD_S)
        if told is None:
            return Result(
                name, Verdict.FAILED, f"{result.seen}, and the controller does not say so (bit 128)"
            )
        return result

    def _who_shut(self, result: Result) -> Result:
        """The module by its own time limit, or this program for want of it? Every reading after it tells."""
        after = self._soon(lambda reading: True, ANSWER_S)
        if after is None:
            return replace(result, verdict=Verdict.FAILED, seen=f"{result.seen}, and then no reading came")
        if after.faults & LocalFault.LEASE_LAPSED:
            sentence = "the module's own time limit did not shut it; this program had to"
            return replace(result, verdict=Verdict.FAILED, seen=sentence)
        return result

    def _cut(self) -> Result:
        name = "Valve open, overflow float lifted: it shuts at once"
        if self.hello is None or not self.hello.features & Feature.SWITCH_OVERFLOW:
            return Result(name, Verdict.NOT_FITTED, "")
        if not self._ask(
            "Take hold of the overflow float. The valve will open; lift the float as soon as it clicks."
        ):
            return Result(name, Verdict.NOT_DONE, "")
        opened = self._open(CUT_MS)
        if isinstance(opened, str):
            return Result(name, Verdict.FAILED, opened)
        heard = self._bench.wait(
            Reading,
            CUT_MS / 1000.0 + ANSWER_S,
            lambda one: one.path is Flow.SHUT or one.switch_overflow is True,
        )
        if heard is None:
            return Result(name, Verdict.FAILED, "the controller fell silent")
        at_s, reading = heard
        if reading.switch_overflow is not True:
            return Result(name, Verdict.FAILED, "the float was not lifted in time; nothing was tested")
        if reading.path is not Flow.SHUT:
            return Result(name, Verdict.FAILED, "the float is up and the valve is still open")
        if not reading.faults & LocalFault.OVERFLOW_CUT:
            return Result(name, Verdict.FAILED, "it shut, and not by the float: bit 64 is not set")
        number = self._bench.say(lambda sequence: Lease(sequence, Flow.TO_RESERVOIR, SECOND_MS))
        answer = self._bench.answer(number, ANSWER_S)
        if not isinstance(answer, Refusal) or answer.why != "overflow":
            return Result(name, Verdict.FAILED, "it shut, and a further lease was not refused")
        seen = f"shut {at_s - opened.at_s:.2f} s after it opened; a further lease was refused"
        if not self._ask("Let the float go."):
            return Result(name, Verdict.PASSED, seen)
        rest = self._soon(
            lambda one: one.switch_overflow is False and not one.faults & LocalFault.OVERFLOW_CUT, REST_S
        )
        if rest is None:
            return Result(name, Verdict.FAILED, f"{seen}; but the float's fault stays")
        return Result(name, Verdict.PASSED, seen)

    def _at_rest(self) -> Result:
        name = "Closed, and it stays shut"
        self._bench.say(Close)
        self._bench.forget()
        until_s = time.monotonic() + ANSWER_S
        count = 0
        while (left_s := until_s - time.monotonic()) > 0.0:
            heard = self._bench.wait(Reading, left_s)
            if heard is None:
                break
            count += 1
            if heard[1].path is not Flow.SHUT:
                return Result(name, Verdict.FAILED, f"the valve is reported as {heard[1].path.value}")
        return Result(name, Verdict.PASSED if count else Verdict.FAILED, f"{count} readings, all shut")

    def _open(self, ms: int) -> Heard | str:
        """Grant one lease to the reservoir; when the valve was reported open, or why it did not open."""
        bench = self._bench
        bench.forget()
        sent_s = time.monotonic()
        number = bench.say(lambda sequence: Lease(sequence, Flow.TO_RESERVOIR, ms))
        answer = bench.answer(number, ANSWER_S)
        if answer is None:
            return "the lease was not answered"
        if isinstance(answer, Refusal):
            return f"the lease was refused: {answer.why}"
        if answer.path is not Flow.TO_RESERVOIR:
            return f"the lease was confirmed, and the path is {answer.path.value}"
        return Heard(sent_s, answer)

    def _held(self, name: str, opened: Heard, ms: int) -> Result:
        """See the valve shut at the end of this lease, and neither earlier nor later."""
        heard = self._bench.wait(Reading, ms / 1000.0 + ANSWER_S, lambda one: one.path is Flow.SHUT)
        if heard is None:
            return Result(name, Verdict.FAILED, "the valve was not reported shut again")
        held_s = heard[0] - opened.at_s
        period_s = LATE_S if self._plan.modbus is None else LATE_S + 2.0 * self._plan.modbus.poll_s
        in_time = ms / 1000.0 - EARLY_S <= held_s <= ms / 1000.0 + period_s
        verdict = Verdict.PASSED if in_time else Verdict.FAILED
        return Result(name, verdict, f"reported shut {held_s:.2f} s after a lease of {ms / 1000.0:g} s")

    # --- readings ---------------------------------------------------------------------------------

    def _soon(self, so: Callable[[Reading], bool], patience_s: float) -> Reading | None:
        self._bench.forget()
        heard = self._bench.wait(Reading, patience_s, so)
        return None if heard is None else heard[1]

    def _latest(self) -> Reading:
        heard = self._bench.wait(Reading, ANSWER_S)
        return Reading(0, Flow.SHUT) if heard is None else heard[1]
