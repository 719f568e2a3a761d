"""The broker: is it there, is it trusted, does it let the bridge in, and may the bridge speak and hear.
Core."""

from collections.abc import Iterator
from dataclasses import dataclass
from enum import Enum

from bridge.config.warnings import is_this_machine
from bridge.doctor.finding import Finding, Verdict
from bridge.mqtt.broker import BrokerSettings

NODE, PROPERTY = "doctor", "echo"
"""Of the topics that are tried: nothing that a reservoir has, and never kept by the broker."""
RENEW_DAYS = 30.0
"""Before a certificate ends; common practice, no source."""


class Answer(Enum):
    """What a broker said to a message."""

    TAKEN = "taken"
    REFUSED = "refused"
    UNSAID = "unsaid"
    """It acknowledged the message, and MQTT 3.1.1 has no word for what became of it."""


class Echo(Enum):
    """Whether a message on a command's topic came to who listens there."""

    HEARD = "heard"
    LOST = "lost"
    NOT_SENT = "not sent"
    """The account may not write there, so nothing could come."""
    NOT_TRIED = "not tried"
    """The daemon runs, and would take it for a command."""


@dataclass(frozen=True, slots=True)
class DeviceFacts:
    """One device of the bridge on the broker."""

    base: str
    """The topic under which all of it stands."""
    speaks: Answer
    hears: Echo | None = None
    """None for the bridge itself, which takes no commands."""


@dataclass(frozen=True, slots=True)
class HubFacts:
    """What was seen of the broker; what comes after a trouble was not looked at."""

    reach_trouble: str | None = None
    trust_trouble: str | None = None
    certificate_days: float | None = None
    """Until the broker's certificate ends; None without encryption, or where it does not say."""
    login_trouble: str | None = None
    devices: tuple[DeviceFacts, ...] = ()
    rights_trouble: str | None = None
    """The connection broke while the rights were tried."""


def judge_hub(broker: BrokerSettings, facts: HubFacts) -> Iterator[Finding]:
    """Each stage of the way to the broker, up to the first that does not hold."""
    if facts.reach_trouble is not None:
        yield Finding(
            "broker",
            "",
            Verdict.WRONG,
            facts.reach_trouble,
            "Start the broker (sudo systemctl status mosquitto says why it does not run), or correct host "
            "and port in "
            "[hub]. Filling goes on without it.",
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
            "anew with "
            "mosquitto_passwd, and put the same one there.",
        )
        return
    if broker.username is None:
        known = "without a user name"
        if not is_this_machine(broker.host):
            yield Finding(
                "login",
                "",
                Verdict.LOOK,
                "The broker lets the bridge in without a user name, and so anybody who can reach it.",
                "Give the broker accounts: see config/INSTALL.md.",
            )
        else:
            yield Finding("login", "", Verdict.OK, f"The broker lets the bridge in {known}.")
    else:
        yield Finding("login", "", Verdict.OK, "The broker accepts the bridge's user name and password.")
    if facts.rights_trouble is not None:
        yield Finding("rights", "", Verdict.WRONG, facts.rights_trouble, "Look into the broker's own log.")
    for device in facts.devices:
        yield _speaks(device)
    for device in facts.devices:
        if device.hears is not None:
            yield _hears(device, device.hears)


def _encryption(broker: BrokerSettings, facts: HubFacts) -> Finding:
    def found(verdict: Verdict, what: str, then: str = "") -> Finding:
        return Finding("encryption", "", verdict, what, then)

    if broker.tls is None:
        if is_this_machine(broker.host):
            return found(Verdict.OK, "There is none, and nothing leaves this machine.")
        what = "Nothing on the way to the broker is encrypted; whoever reads along can send commands."
        if broker.password is not None:
            what = "The password goes to the broker in clear; whoever reads along can command the bridge."
        return found(
            Verdict.LOOK, what, "Let the broker speak TLS and add the table [hub.tls]: see config/INSTALL.md."
        )
    if facts.trust_trouble is not None:
        return found(
            Verdict.WRONG,
            facts.trust_trouble,
            "ca_file in [hub.tls] must be the authority that signed the broker's certificate, which must "
            "bear the "
            f"name {broker.host}.",
        )
    days = facts.certificate_days
    if days is not None and days < RENEW_DAYS:
        return found(
            Verdict.LOOK,
            f"The broker's certificate is trusted and ends in {days:.0f} days; then the hub stays away.",
            "Make a new one, and restart the broker.",
        )
    ends = "" if days is None else f" for {days:.0f} more days"
    return found(Verdict.OK, f"The broker's certificate is trusted{ends}.")


def _speaks(device: DeviceFacts) -> Finding:
    def found(verdict: Verdict, what: str, then: str = "") -> Finding:
        return Finding("rights", device.base, verdict, what, then)

    if device.speaks is Answer.TAKEN:
        return found(Verdict.OK, f"The bridge may publish below {device.base}.")
    if device.speaks is Answer.REFUSED:
        return found(
            Verdict.WRONG,
            f"The broker's rules do not let the bridge publish below {device.base}, so the hub never sees "
            "that.",
            f"Let its account write {device.base}/+ and {device.base}/+/+, as config/mosquitto-acl has it "
            "with your own "
            "ids.",
        )
    return found(
        Verdict.LOOK,
        f"Whether the bridge may publish below {device.base} cannot be told: the broker speaks MQTT 3.1.1, "
        "which has no "
        "word for it.",
        "See whether the hub shows the bridge's values.",
    )


def _hears(device: DeviceFacts, echo: Echo) -> Finding:
    def found(verdict: Verdict, what: str, then: str = "") -> Finding:
        return Finding("commands", device.base, verdict, what, then)

    line = f"{device.base}/+/+/set"
    if echo is Echo.HEARD:
        return found(Verdict.OK, f"What is sent to {line} reaches the bridge.")
    if echo is Echo.LOST:
        return found(
            Verdict.WRONG,
            f"What is sent to {line} does not reach the bridge, so the hub can ask it for nothing.",
            f"Let its account read {line}, as config/mosquitto-acl has it with your own ids.",
        )
    if echo is Echo.NOT_TRIED:
        return found(
            Verdict.OK,
            f"Not tried while the daemon runs: it would take a trial on {line} for a command.",
        )
    return found(
        Verdict.LOOK,
        f"Whether commands on {line} reach the bridge cannot be tried: its account may not write there.",
        f"To have it tried, let the account write {device.base}/{NODE}/{PROPERTY}/set, as "
        "config/mosquitto-acl has it; "
        "or send a command from the hub and see.",
    )
