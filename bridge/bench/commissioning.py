"""The tests of the commissioning checklist that a program can watch, one after the other. Shell.

They reach a controller through a ``Bench`` and a person through ``ask``; the terminal is the command's. Each
opening of the valve is one lease of a few seconds, and a close follows each test.
"""

import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from enum import Enum

from bridge.bench import Bench, Received
from bridge.config.modbus import CANNOT_PROMISE
from bridge.guard.model import Flow
from bridge.protocol.messages import Close, Feature, Hello, Lease, LocalFault, Reading, Refusal
from bridge.station.plan import StationPlan

ANSWER_S = 3.0
SECOND_MS = 1000
REPORT_S = 1.5
CUT_MS = 8000
LAPSE_MS = 3000
LATE_S = 0.3
"""Longest time from a move of the valve to the reading of it: a reading period, and the line."""
EARLY_S = 0.2
"""Shortest lease less this time passes the test."""
OVERFLOW_CLEAR_S = 15.0
"""Longest wait for the overflow fault to clear; the controller refuses leases for 2 s after the float."""


class Verdict(Enum):
    """The result of a test; the value is its word."""

    PASSED = "passed"
    FAILED = "FAILED"
    NOT_FITTED = "not fitted"
    NOT_DONE = "not done"


@dataclass(frozen=True, slots=True)
class Result:
    """One line of the record."""

    test: str
    verdict: Verdict
    observed: str


Ask = Callable[[str], bool]
"""Shows a person what to do and waits until it is done; False if the person declines."""


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


class Checklist:
    """The checklist for one controller; iterate over :meth:`results`.

    Args:
        bench: The controller.
        plan: The station's plan.
        ask: Shows a person what to do.
    """

    def __init__(self, bench: Bench, plan: StationPlan, ask: Ask) -> None:
        """Prepares; no test has run yet."""
        self._bench, self._plan, self._ask = bench, plan, ask
        self.hello: Hello | None = None

    def results(self) -> Iterator[Result]:
        """Runs the tests; yields each result. After each test the valve is shut.

        Raises:
            LinkError: The line is lost.
        """
        tests: list[Callable[[], Result]] = [self._identity, self._dry_cell]
        tests += [lambda one=one: self._float_test(one) for one in FLOATS]  # type: ignore[misc]
        tests += [self._one_second_lease, self._overflow_shutoff, self._lapsed_lease, self._stays_shut]
        for test in tests:
            try:
                yield test()
            finally:
                self._bench.send(Close)
            if self.hello is None:
                return

    def _identity(self) -> Result:
        name = "The controller reports its identity and its fittings"
        self._bench.identify()
        received = self._bench.wait(Hello, ANSWER_S)
        if received is None:
            return Result(name, Verdict.FAILED, "no answer")
        hello = self.hello = received[1]
        wanted = self._expected()
        missing, more = wanted & ~hello.features, hello.features & ~wanted & ~Feature.FLOW_PULSES
        observed = f"{hello.identity} {hello.firmware}, longest lease {hello.longest_lease_ms} ms"
        for what, features in (
            ("in the configuration, but not fitted", missing),
            ("not in the configuration", more),
        ):
            if features:
                names = ", ".join(feature.name or "" for feature in features).lower().replace("_", " ")
                observed += f"; {what}: {names}"
        return Result(name, Verdict.FAILED if missing else Verdict.PASSED, observed)

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

    def _dry_cell(self) -> Result:
        name = "A dry cell gives no value, not pure water"
        if not self._ask("Unplug the product cell, or let it run dry."):
            return Result(name, Verdict.NOT_DONE, "")
        received = self._wait_for(lambda reading: not isinstance(reading.product_us, float), ANSWER_S)
        if received is None:
            return Result(name, Verdict.FAILED, f"the reading is {self._latest().product_us} µS")
        self._ask("Plug it in again, in water.")
        return Result(name, Verdict.PASSED, "no value")

    def _float_test(self, one: _Float) -> Result:
        name = f"The {one.name} float, lifted and let go"
        if self.hello is None or not self.hello.features & one.feature:
            return Result(name, Verdict.NOT_FITTED, "")
        states = (one.state, *(other.state for other in FLOATS if other is not one))
        if not self._ask(f"Let all floats hang free. Next the {one.name} float is to be lifted by hand."):
            return Result(name, Verdict.NOT_DONE, "")
        down = self._wait_for(lambda reading: one.state(reading) is False, ANSWER_S)
        if down is None:
            return Result(name, Verdict.FAILED, "it is reported up while it hangs free")
        before = [state(down) for state in states[1:]]
        if not self._ask(f"Lift the {one.name} float now and hold it."):
            return Result(name, Verdict.NOT_DONE, "")
        up = self._wait_for(lambda reading: one.state(reading) is True, ANSWER_S)
        if up is None:
            return Result(name, Verdict.FAILED, "nothing changed")
        if [state(up) for state in states[1:]] != before:
            return Result(name, Verdict.FAILED, "another float changed with it")
        if not self._ask("Let it go."):
            return Result(name, Verdict.NOT_DONE, "")
        cut = LocalFault.OVERFLOW_CUT
        if (
            self._wait_for(
                lambda reading: one.state(reading) is False and not reading.faults & cut, OVERFLOW_CLEAR_S
            )
            is None
        ):
            return Result(name, Verdict.FAILED, "it stays up")
        return Result(name, Verdict.PASSED, "down, up, down")

    def _one_second_lease(self) -> Result:
        name = "A lease of one second: the valve opens and shuts by itself"
        if not self._ask("The valve will open for one second. Listen: it must click twice."):
            return Result(name, Verdict.NOT_DONE, "")
        opened = self._open(SECOND_MS)
        if isinstance(opened, str):
            return Result(name, Verdict.FAILED, opened)
        result = self._open_time(name, opened, SECOND_MS)
        if result.verdict is Verdict.PASSED and not self._ask("Did you hear it click open and shut?"):
            return Result(name, Verdict.FAILED, f"{result.observed}, but no click was heard")
        return result

    def _lapsed_lease(self) -> Result:
        name = "The bridge stops sending (kill test): the lease lapses"
        modbus = self._plan.modbus
        if modbus is not None and modbus.valve.time_limit_register is None:
            return Result(name, Verdict.NOT_FITTED, f"{CANNOT_PROMISE}; the configuration accepts it")
        if not self._ask(
            f"The valve will open for {LAPSE_MS / 1000:g} s, and the bridge will send nothing more."
        ):
            return Result(name, Verdict.NOT_DONE, "")
        opened = self._open(LAPSE_MS)
        if isinstance(opened, str):
            return Result(name, Verdict.FAILED, opened)
        result = self._open_time(name, opened, LAPSE_MS)
        if result.verdict is not Verdict.PASSED:
            return result
        if modbus is not None:
            return self._valve_module(result)
        reported = self._wait_for(lambda reading: bool(reading.faults & LocalFault.LEASE_LAPSED), REPORT_S)
        if reported is None:
            return Result(name, Verdict.FAILED, f"{result.observed}, but the lapse is not reported (bit 128)")
        return result

    def _valve_module(self, result: Result) -> Result:
        """Tests that the module's own time limit shut the valve, and not this program."""
        after = self._wait_for(lambda reading: True, ANSWER_S)
        if after is None:
            return replace(
                result, verdict=Verdict.FAILED, observed=f"{result.observed}, and then no reading came"
            )
        if after.faults & LocalFault.LEASE_LAPSED:
            sentence = "the module's own time limit did not shut it; this program had to"
            return replace(result, verdict=Verdict.FAILED, observed=sentence)
        return result

    def _overflow_shutoff(self) -> Result:
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
        received = self._bench.wait(
            Reading,
            CUT_MS / 1000.0 + ANSWER_S,
            lambda one: one.path is Flow.SHUT or one.switch_overflow is True,
        )
        if received is None:
            return Result(name, Verdict.FAILED, "no more readings came")
        at_s, reading = received
        if reading.switch_overflow is not True:
            return Result(name, Verdict.FAILED, "the float was not lifted in time; nothing was tested")
        if reading.path is not Flow.SHUT:
            return Result(name, Verdict.FAILED, "the float is up and the valve is still open")
        if not reading.faults & LocalFault.OVERFLOW_CUT:
            return Result(name, Verdict.FAILED, "it shut, but not because of the float: bit 64 is not set")
        number = self._bench.send(lambda sequence: Lease(sequence, Flow.TO_RESERVOIR, SECOND_MS))
        answer = self._bench.reply(number, ANSWER_S)
        if not isinstance(answer, Refusal) or answer.why != "overflow":
            return Result(name, Verdict.FAILED, "it shut, but a further lease was not refused")
        observed = f"shut {at_s - opened.at_s:.2f} s after it opened; a further lease was refused"
        if not self._ask("Let the float go."):
            return Result(name, Verdict.PASSED, observed)
        cleared = self._wait_for(
            lambda one: one.switch_overflow is False and not one.faults & LocalFault.OVERFLOW_CUT,
            OVERFLOW_CLEAR_S,
        )
        if cleared is None:
            return Result(name, Verdict.FAILED, f"{observed}, but the float's fault stays")
        return Result(name, Verdict.PASSED, observed)

    def _stays_shut(self) -> Result:
        name = "Closed, and it stays shut"
        self._bench.send(Close)
        self._bench.discard()
        until_s = time.monotonic() + ANSWER_S
        count = 0
        while (left_s := until_s - time.monotonic()) > 0.0:
            received = self._bench.wait(Reading, left_s)
            if received is None:
                break
            count += 1
            if received[1].path is not Flow.SHUT:
                return Result(name, Verdict.FAILED, f"the valve is reported as {received[1].path.value}")
        return Result(name, Verdict.PASSED if count else Verdict.FAILED, f"{count} readings, all shut")

    def _open(self, ms: int) -> Received | str:
        """Sends one lease; returns its time and the acknowledgement, or the reason why it did not open."""
        bench = self._bench
        bench.discard()
        sent_s = time.monotonic()
        number = bench.send(lambda sequence: Lease(sequence, Flow.TO_RESERVOIR, ms))
        answer = bench.reply(number, ANSWER_S)
        if answer is None:
            return "the lease was not answered"
        if isinstance(answer, Refusal):
            return f"the lease was refused: {answer.why}"
        if answer.path is not Flow.TO_RESERVOIR:
            return f"the lease was acknowledged, but the path is {answer.path.value}"
        return Received(sent_s, answer)

    def _open_time(self, name: str, opened: Received, ms: int) -> Result:
        """Tests that the valve shuts at the end of this lease, neither earlier nor later."""
        received = self._bench.wait(Reading, ms / 1000.0 + ANSWER_S, lambda one: one.path is Flow.SHUT)
        if received is None:
            return Result(name, Verdict.FAILED, "the valve was not reported shut again")
        held_s = received[0] - opened.at_s
        period_s = LATE_S if self._plan.modbus is None else LATE_S + 2.0 * self._plan.modbus.poll_s
        in_time = ms / 1000.0 - EARLY_S <= held_s <= ms / 1000.0 + period_s
        verdict = Verdict.PASSED if in_time else Verdict.FAILED
        return Result(name, verdict, f"reported shut {held_s:.2f} s after a lease of {ms / 1000.0:g} s")

    def _wait_for(self, condition: Callable[[Reading], bool], timeout_s: float) -> Reading | None:
        self._bench.discard()
        received = self._bench.wait(Reading, timeout_s, condition)
        return None if received is None else received[1]

    def _latest(self) -> Reading:
        received = self._bench.wait(Reading, ANSWER_S)
        return Reading(0, Flow.SHUT) if received is None else received[1]
