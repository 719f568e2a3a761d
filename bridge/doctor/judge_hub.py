"""Findings about the broker: reachable, trusted, login, and the rights to publish and to subscribe. Core."""

from collections.abc import Iterator
from dataclasses import dataclass
from enum import Enum

from bridge.config.plan import is_this_machine
from bridge.doctor import Finding, Verdict
from bridge.mqtt.broker import BrokerSettings

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
