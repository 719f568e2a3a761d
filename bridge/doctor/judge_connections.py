"""Findings about the controller behind its port, and about the broker and its rights. Core."""

import stat
from collections.abc import Iterator
from dataclasses import dataclass
from enum import Enum

from bridge.config.plan import is_this_machine
from bridge.display.text import listed
from bridge.doctor import Finding, Verdict
from bridge.mqtt.broker import BrokerSettings
from bridge.protocol.frame import VERSION
from bridge.protocol.messages import Feature, Hello, LocalFault, Reading
from bridge.protocol.session import DownCause, LinkDown
from bridge.station.plan import StationPlan

SERVICE_GROUP = "dialout"
"""The group that ``config/clearwell.service`` joins."""


@dataclass(frozen=True, slots=True)
class Holder:
    """A process that has the port open."""

    pid: int
    program: str
    is_daemon: bool


@dataclass(frozen=True, slots=True)
class PortFacts:
    """Facts about a port's path."""

    path: str
    mode: int | None
    """As in ``stat``; None if the path does not exist."""
    user: str = ""
    group: str = ""
    me: str = ""
    """The user of this command."""
    may_open: bool = False
    holders: tuple[Holder, ...] = ()
    others: tuple[str, ...] = ()
    """Persistent names of the present serial devices."""

    @property
    def daemon(self) -> Holder | None:
        """The daemon, if it has the port."""
        return next((one for one in self.holders if one.is_daemon), None)

    @property
    def is_free(self) -> bool:
        """Whether this user may open it and no process has it open."""
        return self.mode is not None and stat.S_ISCHR(self.mode) and self.may_open and not self.holders


@dataclass(frozen=True, slots=True)
class ControllerFacts:
    """What a controller sent."""

    hello: Hello | None = None
    reading: Reading | None = None
    foreign: int = 0
    """Lines of another version of the protocol."""
    damaged: int = 0
    down: LinkDown | None = None
    """Why the line could not be used; None if it could."""


def judge_port(reservoir: str, port: PortFacts) -> Finding:
    """Check that the path is a serial device, may be opened, and is not in use."""

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
            f"{port.path} is not a serial device.",
            f"Set reservoir.{reservoir}.port to the controller's device under /dev/serial/by-id.",
        )
    daemon = port.daemon
    if daemon is not None:
        return found(Verdict.OK, f"{port.path} is open in the daemon, process {daemon.pid}.")
    if port.holders:
        who = " and ".join(f"{one.program} (process {one.pid})" for one in port.holders)
        return found(
            wrong,
            f"{port.path} is open in {who}.",
            "Only one program may use a controller: stop that one. 99-clearwell.rules keeps services that "
            "look for modems away.",
        )
    owned = (
        f"it belongs to {port.user} and the group {port.group}, with the rights {stat.filemode(port.mode)}"
    )
    shared = bool(port.mode & stat.S_IRGRP and port.mode & stat.S_IWGRP)
    if not port.may_open:
        if shared and port.group != "root":
            then = (
                f"Make the user that runs the daemon a member of that group (sudo usermod --append --groups "
                f"{port.group} {port.me}, then log in again), or run this as the daemon's user or with sudo."
            )
        else:
            then = "Give the device the group dialout and the mode 0660 with 99-clearwell.rules."
        return found(wrong, f"The user {port.me} may not open {port.path}: {owned}.", then)
    if port.me == "root" and not (shared and port.group == SERVICE_GROUP):
        return found(
            Verdict.LOOK,
            f"{port.path} can be opened by root, but {owned}; the service joins {SERVICE_GROUP}.",
            "Give the device that group with 99-clearwell.rules, or name its group in the line "
            "SupplementaryGroups= of clearwell.service.",
        )
    return found(Verdict.OK, f"{port.path} exists, is free, and may be opened ({owned}).")


def judge_controller(plan: StationPlan, facts: ControllerFacts) -> Iterator[Finding]:
    """Yield findings about the controller: its protocol, its fitted parts and its faults.

    Args:
        plan: the reservoir's plan.
        facts: what the controller sent.
    """
    reservoir = plan.identity.reservoir

    def found(verdict: Verdict, what: str, then: str = "") -> Finding:
        return Finding("controller", reservoir, verdict, what, then)

    hello = facts.hello
    if hello is None:
        yield found(Verdict.WRONG, *_no_hello(plan, facts))
        return
    if plan.modbus is not None:
        yield found(Verdict.OK, "The devices on the Modbus line answer.")
    else:
        yield found(
            Verdict.OK,
            f"{hello.identity} with the firmware {hello.firmware} answers in version {VERSION} of the line "
            f"protocol; the cause of its last start is {hello.boot.value}.",
        )
    missing = [name for name, wanted, bit in _fitted(plan) if wanted and not hello.features & bit]
    if missing:
        yield found(
            Verdict.WRONG,
            f"The configuration needs {listed(missing)}, and the controller reports that it is not fitted.",
            "Correct the configuration, or the fitted parts in the controller's own settings.",
        )
    if hello.features & Feature.SWITCH_OVERFLOW and not plan.level.overflow_switch:
        yield found(
            Verdict.LOOK,
            "The controller has an overflow float, and the configuration has none.",
            f"Set overflow_float = true in [reservoir.{reservoir}.level].",
        )
    reading = facts.reading
    if reading is None:
        yield found(
            Verdict.WRONG,
            "It sends no readings.",
            "Check its supply and its self-test, then restart it.",
        )
        return
    # A lapsed lease is normal here, because only the daemon renews leases.
    faults = [one for one in LocalFault if one in reading.faults and one is not LocalFault.LEASE_LAPSED]
    if faults:
        words = listed([(one.name or "").lower().replace("_", " ") for one in faults])
        yield found(
            Verdict.LOOK,
            f"It reports: {words}.",
            "Check that part and its plug; firmware_notes/protocol.md explains each fault.",
        )


def _no_hello(plan: StationPlan, facts: ControllerFacts) -> tuple[str, str]:
    if facts.down is not None and facts.down.cause is not DownCause.SILENT:
        then = "Correct that, then run this command again."
        if facts.down.cause is DownCause.BUSY:
            then = "Root can see more: sudo clearwell doctor."
        return str(facts.down.error), then
    if facts.foreign:
        return (
            f"The controller at {plan.port} uses another version of the line protocol; this program uses "
            f"version {VERSION}.",
            "Load the firmware of this program's version (firmware_notes/firmware), or install the program "
            "of the firmware's version.",
        )
    if facts.damaged:
        return (
            f"All lines received from {plan.port} are damaged.",
            f"Check that the controller sends at {plan.baud} bit/s, the cable, and cables close to it.",
        )
    if facts.reading is not None:
        return (
            f"The controller at {plan.port} sends readings, but does not send its identity on request.",
            "Check the wire from here to the controller; the other direction works.",
        )
    return (
        f"Nothing was received from the controller at {plan.port}.",
        "Check its supply, the cable and the speed of the line.",
    )


def _fitted(plan: StationPlan) -> Iterator[tuple[str, bool, Feature]]:
    level = plan.level
    yield "a level sensor", level.level_sensor is not None, Feature.LEVEL_SENSOR
    yield "a low switch", level.low_switch, Feature.SWITCH_LOW
    yield "a full switch", level.full_switch, Feature.SWITCH_FULL
    yield "an overflow float", level.overflow_switch, Feature.SWITCH_OVERFLOW
    second = plan.feed is not None or plan.check is not None
    yield "a feed cell" if plan.check is None else "a check cell", second, Feature.FEED_CELL
    yield "a drain valve", plan.limits.has_drain, Feature.DRAIN_VALVE
    yield "a flow sensor", plan.litres_per_pulse is not None, Feature.FLOW_PULSES


def judge_daemons_controller(reservoir: str, greeting: str | None) -> Finding:
    """Check the controller behind a port that the daemon has open, by the daemon's log.

    Args:
        reservoir: the reservoir's id.
        greeting: the newest greeting in the log with its time; None if there is none.
    """
    if greeting is None:
        return Finding(
            "controller",
            reservoir,
            Verdict.LOOK,
            "The daemon has the port open, and its log has no greeting of the controller.",
            "Read the daemon's output: journalctl -u clearwell.",
        )
    return Finding(
        "controller", reservoir, Verdict.OK, f"The daemon has the port open. In its log: {greeting}"
    )


NODE, PROPERTY = "doctor", "echo"
"""The topics of the trial messages: no reservoir has them, and the messages are not retained."""
RENEW_DAYS = 30.0
"""Before a certificate ends; common practice, no source."""


class Publishing(Enum):
    """Whether the broker accepts a message."""

    ACCEPTED = "accepted"
    REFUSED = "refused"
    UNKNOWN = "unknown"
    """It acknowledged the message, and MQTT 3.1.1 does not report whether it was accepted."""


class Echo(Enum):
    """Whether a message on a command's topic is received by a subscriber."""

    RECEIVED = "received"
    LOST = "lost"
    NOT_SENT = "not sent"
    """The account may not publish there, so there is nothing to receive."""
    NOT_TRIED = "not tried"
    """The daemon runs, and would take the message for a command."""


@dataclass(frozen=True, slots=True)
class DeviceFacts:
    """The rights for one device of the bridge."""

    base: str
    """The topic above all topics of the device."""
    publishing: Publishing
    echo: Echo | None = None
    """None for the bridge itself, which takes no commands."""


@dataclass(frozen=True, slots=True)
class HubFacts:
    """Facts about the broker; nothing after the first fault was checked."""

    reach_trouble: str | None = None
    trust_trouble: str | None = None
    certificate_days: float | None = None
    """Until the broker's certificate ends; None without encryption, or if the certificate has no end."""
    login_trouble: str | None = None
    devices: tuple[DeviceFacts, ...] = ()
    rights_trouble: str | None = None
    """Why the connection broke during the trial of the rights."""


def judge_hub(broker: BrokerSettings, facts: HubFacts) -> Iterator[Finding]:
    """Yield the findings in the order of the connection, up to the first fault.

    Args:
        broker: the broker's settings.
        facts: the facts about the broker.
    """
    if facts.reach_trouble is not None:
        yield Finding(
            "broker",
            "",
            Verdict.WRONG,
            facts.reach_trouble,
            "Start the broker (sudo systemctl status mosquitto shows why it does not run), or correct host "
            "and port in [hub]. Filling continues without it.",
        )
        return
    yield Finding("broker", "", Verdict.OK, f"Something listens at {broker.address}.")
    yield _encryption(broker, facts)
    if facts.trust_trouble is not None:
        return
    if facts.login_trouble is not None:
        yield Finding(
            "login",
            "",
            Verdict.WRONG,
            facts.login_trouble,
            "The password is read from CLEARWELL_HUB__PASSWORD or the file hub_password. Set the account's "
            "password again with mosquitto_passwd, and write the same one there.",
        )
        return
    if broker.username is None:
        if not is_this_machine(broker.host):
            yield Finding(
                "login",
                "",
                Verdict.LOOK,
                "The broker accepts the bridge without a user name, and so everybody who can reach it.",
                "Give the broker accounts: see config/INSTALL.md.",
            )
        else:
            yield Finding("login", "", Verdict.OK, "The broker accepts the bridge without a user name.")
    else:
        yield Finding("login", "", Verdict.OK, "The broker accepts the bridge's user name and password.")
    if facts.rights_trouble is not None:
        yield Finding("rights", "", Verdict.WRONG, facts.rights_trouble, "Read the broker's own log.")
    for device in facts.devices:
        yield _rights(device)
    for device in facts.devices:
        if device.echo is not None:
            yield _commands(device, device.echo)


def _encryption(broker: BrokerSettings, facts: HubFacts) -> Finding:
    def found(verdict: Verdict, what: str, then: str = "") -> Finding:
        return Finding("encryption", "", verdict, what, then)

    if broker.tls is None:
        if is_this_machine(broker.host):
            return found(Verdict.OK, "The connection is not encrypted, and does not leave this machine.")
        what = (
            "The connection to the broker is not encrypted; anybody who reads the traffic can send commands."
        )
        if broker.password is not None:
            what = (
                "The password goes to the broker in clear; anybody who reads the traffic can send commands."
            )
        return found(
            Verdict.LOOK, what, "Set up TLS on the broker and add the table [hub.tls]: see config/INSTALL.md."
        )
    if facts.trust_trouble is not None:
        return found(
            Verdict.WRONG,
            facts.trust_trouble,
            "ca_file in [hub.tls] must be the authority that signed the broker's certificate, and that "
            f"certificate must contain the name {broker.host}.",
        )
    days = facts.certificate_days
    if days is not None and days < RENEW_DAYS:
        return found(
            Verdict.LOOK,
            f"The broker's certificate is trusted and ends in {days:.0f} days; then the connection fails.",
            "Create a new one, and restart the broker.",
        )
    ends = "" if days is None else f" for {days:.0f} more days"
    return found(Verdict.OK, f"The broker's certificate is trusted{ends}.")


def _rights(device: DeviceFacts) -> Finding:
    def found(verdict: Verdict, what: str, then: str = "") -> Finding:
        return Finding("rights", device.base, verdict, what, then)

    if device.publishing is Publishing.ACCEPTED:
        return found(Verdict.OK, f"The bridge may publish below {device.base}.")
    if device.publishing is Publishing.REFUSED:
        return found(
            Verdict.WRONG,
            f"The broker's rules do not let the bridge publish below {device.base}, so the hub gets none of "
            "its values.",
            f"Let its account write {device.base}/+ and {device.base}/+/+, as in config/mosquitto-acl with "
            "your own ids.",
        )
    return found(
        Verdict.LOOK,
        f"Whether the bridge may publish below {device.base} is not known: the broker uses MQTT 3.1.1, "
        "which does not report it.",
        "Check that the hub shows the bridge's values.",
    )


def _commands(device: DeviceFacts, echo: Echo) -> Finding:
    def found(verdict: Verdict, what: str, then: str = "") -> Finding:
        return Finding("commands", device.base, verdict, what, then)

    line = f"{device.base}/+/+/set"
    if echo is Echo.RECEIVED:
        return found(Verdict.OK, f"The bridge receives messages on {line}.")
    if echo is Echo.LOST:
        return found(
            Verdict.WRONG,
            f"The bridge does not receive messages on {line}, so it gets no commands from the hub.",
            f"Let its account read {line}, as in config/mosquitto-acl with your own ids.",
        )
    if echo is Echo.NOT_TRIED:
        return found(
            Verdict.OK,
            f"Not tried while the daemon runs: it would take a trial message on {line} for a command.",
        )
    return found(
        Verdict.LOOK,
        f"Whether the bridge receives commands on {line} cannot be tried: its account may not write there.",
        f"For a trial, let the account write {device.base}/{NODE}/{PROPERTY}/set, as in "
        "config/mosquitto-acl; or send a command from the hub and watch for its effect.",
    )
