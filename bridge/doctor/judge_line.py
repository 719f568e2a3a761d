"""The serial port and the controller at its other end: what was seen, and what to think of it. Core."""

import stat
from collections.abc import Iterator
from dataclasses import dataclass

from bridge.doctor.finding import Finding, Verdict
from bridge.protocol.frame import VERSION
from bridge.protocol.messages import Feature, Hello, LocalFault, Reading
from bridge.protocol.session import DownCause, LinkDown
from bridge.station.plan import StationPlan

SERVICE_GROUP = "dialout"
"""The group that ``config/clearwell.service`` joins."""


@dataclass(frozen=True, slots=True)
class Holder:
    """A process that has the port."""

    pid: int
    program: str
    is_daemon: bool


@dataclass(frozen=True, slots=True)
class PortFacts:
    """What is at a port's path."""

    path: str
    mode: int | None
    """As of ``stat``; None where there is nothing."""
    user: str = ""
    group: str = ""
    me: str = ""
    """The user who asks."""
    may_open: bool = False
    holders: tuple[Holder, ...] = ()
    others: tuple[str, ...] = ()
    """Lasting names of the serial devices that are there."""

    @property
    def daemon(self) -> Holder | None:
        return next((one for one in self.holders if one.is_daemon), None)

    @property
    def is_free(self) -> bool:
        """It may be opened without disturbing anybody."""
        return self.mode is not None and stat.S_ISCHR(self.mode) and self.may_open and not self.holders


@dataclass(frozen=True, slots=True)
class ControllerFacts:
    """What a controller said."""

    hello: Hello | None = None
    reading: Reading | None = None
    foreign: int = 0
    """Lines of another version of the protocol."""
    damaged: int = 0
    down: LinkDown | None = None
    """Why the line could not be used; None where only nothing was heard."""


def judge_port(reservoir: str, port: PortFacts) -> Finding:
    """Is there a serial device, may it be opened, and does nobody else have it?"""

    def found(verdict: Verdict, what: str, then: str = "") -> Finding:
        return Finding("port", reservoir, verdict, what, then)

    wrong = Verdict.WRONG
    if port.mode is None:
        there = f" There is {' and '.join(port.others)}." if port.others else ""
        return found(
            wrong,
            f"There is no device at {port.path}.{there}",
            "Plug the controller in, look with ls -l /dev/serial/by-id, and correct "
            f"reservoir.{reservoir}.port.",
        )
    if not stat.S_ISCHR(port.mode):
        return found(
            wrong,
            f"{port.path} is no serial line.",
            f"Set reservoir.{reservoir}.port to the controller's device under /dev/serial/by-id.",
        )
    daemon = port.daemon
    if daemon is not None:
        return found(Verdict.OK, f"{port.path} is held by the daemon, process {daemon.pid}.")
    if port.holders:
        who = " and ".join(f"{one.program} (process {one.pid})" for one in port.holders)
        return found(
            wrong,
            f"{port.path} is held by {who}.",
            "Only one program may talk to a controller: stop that one. A service that looks for modems is "
            "kept off "
            "by 99-clearwell.rules.",
        )
    owned = (
        f"it belongs to {port.user} and the group {port.group}, with the rights {stat.filemode(port.mode)}"
    )
    shared = bool(port.mode & stat.S_IRGRP and port.mode & stat.S_IWGRP)
    if not port.may_open:
        if shared and port.group != "root":
            then = (
                f"Make the user that runs the daemon a member of that group (sudo usermod --append --groups "
                f"{port.group} {port.me}, then log in again), or ask as the daemon's user or with sudo."
            )
        else:
            then = "Give the device the group dialout and the mode 0660 by 99-clearwell.rules."
        return found(wrong, f"The user {port.me} may not open {port.path}: {owned}.", then)
    if port.me == "root" and not (shared and port.group == SERVICE_GROUP):
        return found(
            Verdict.LOOK,
            f"{port.path} can be opened by root, but {owned}; the service joins {SERVICE_GROUP}.",
            "Give the device that group by 99-clearwell.rules, or name its group in SupplementaryGroups= of "
            "clearwell.service.",
        )
    return found(Verdict.OK, f"{port.path} is there, free, and may be opened ({owned}).")


def judge_controller(plan: StationPlan, facts: ControllerFacts) -> Iterator[Finding]:
    """Who is at the other end, does it speak our language, and has it what the configuration counts on?"""
    reservoir = plan.identity.reservoir

    def found(verdict: Verdict, what: str, then: str = "") -> Finding:
        return Finding("controller", reservoir, verdict, what, then)

    hello = facts.hello
    if hello is None:
        yield found(Verdict.WRONG, *_unheard(plan, facts))
        return
    if plan.modbus is not None:
        yield found(Verdict.OK, "The devices on the Modbus line answer.")
    else:
        yield found(
            Verdict.OK,
            f"{hello.identity} with the firmware {hello.firmware} answers in version {VERSION} of the line "
            "protocol; "
            f"it started because of {hello.boot.value}.",
        )
    missing = [name for name, wanted, bit in _fitted(plan) if wanted and not hello.features & bit]
    if missing:
        yield found(
            Verdict.WRONG,
            f"The configuration counts on {_listed(missing)}, and the controller says that none is fitted.",
            "Correct the configuration, or what is fitted in the controller's own settings.",
        )
    if hello.features & Feature.SWITCH_OVERFLOW and not plan.level.overflow_switch:
        yield found(
            Verdict.LOOK,
            "The controller has an overflow float, and the configuration says that none is fitted.",
            f"Set overflow_float = true in [reservoir.{reservoir}.level].",
        )
    reading = facts.reading
    if reading is None:
        yield found(
            Verdict.WRONG,
            "It sends no readings.",
            "Look at its supply and its self-test, then restart it.",
        )
        return
    # A lease that ran out is nothing to mend: nobody renews one while the daemon rests.
    faults = [one for one in LocalFault if one in reading.faults and one is not LocalFault.LEASE_LAPSED]
    if faults:
        words = _listed([(one.name or "").lower().replace("_", " ") for one in faults])
        yield found(
            Verdict.LOOK,
            f"It reports: {words}.",
            "Look at that part and its plug; firmware_notes/protocol.md says what each one means.",
        )


def _unheard(plan: StationPlan, facts: ControllerFacts) -> tuple[str, str]:
    if facts.down is not None and facts.down.cause is not DownCause.SILENT:
        then = "Put that right, then look again."
        if facts.down.cause is DownCause.BUSY:
            then = "As root more can be seen: sudo clearwell doctor."
        return str(facts.down.error), then
    if facts.foreign:
        return (
            f"The controller at {plan.port} speaks another version of the line protocol; this program speaks "
            f"version {VERSION}.",
            "Load the firmware that belongs to this program (firmware_notes/firmware), or install the "
            "program that "
            "belongs to the firmware.",
        )
    if facts.damaged:
        return (
            f"Only damaged lines come from {plan.port}.",
            f"Check that the controller talks at {plan.baud} bit/s, the cable, and what runs beside it.",
        )
    if facts.reading is not None:
        return (
            f"The controller at {plan.port} sends readings, and does not say who it is when asked.",
            "Check the line from here to the controller; the other direction works.",
        )
    return (
        f"Nothing is heard from the controller at {plan.port}.",
        "Look at its supply, the cable and the speed of the line.",
    )


def _fitted(plan: StationPlan) -> Iterator[tuple[str, bool, Feature]]:
    level = plan.level
    yield "a level sensor", level.level_sensor is not None, Feature.LEVEL_SENSOR
    yield "a low switch", level.low_switch, Feature.SWITCH_LOW
    yield "a full switch", level.full_switch, Feature.SWITCH_FULL
    yield "an overflow float", level.overflow_switch, Feature.SWITCH_OVERFLOW
    yield "a feed cell", plan.feed is not None, Feature.FEED_CELL
    yield "a drain valve", plan.limits.has_drain, Feature.DRAIN_VALVE
    yield "a flow sensor", plan.litres_per_pulse is not None, Feature.FLOW_PULSES


def judge_daemons_controller(reservoir: str, said: str | None) -> Finding:
    """The controller of a port that the daemon has: what the daemon's log says of it.

    :param said: the newest greeting with its time, None where the log has none.
    """
    if said is None:
        return Finding(
            "controller",
            reservoir,
            Verdict.LOOK,
            "The daemon has the port, and its log knows no greeting of the controller.",
            "Read the daemon's own lines: journalctl -u clearwell.",
        )
    return Finding("controller", reservoir, Verdict.OK, f"The daemon has the port. By its log: {said}")


def _listed(parts: list[str]) -> str:
    return " and ".join([", ".join(parts[:-1]), parts[-1]] if len(parts) > 1 else parts)
