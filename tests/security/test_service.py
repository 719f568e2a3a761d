"""The service: its unit is hardened and correct, and the daemon works under it."""

import os
import re
import shutil
import signal
from collections.abc import Callable
from pathlib import Path

import pytest

from bridge.commands.shared import configuration
from bridge.mqtt.topics import Layout
from tests.brokers import Mosquitto
from tests.running import Finished, run
from tests.security.conftest import PASSWORD, Start

ROOT = Path(__file__).parents[2]
UNIT = ROOT / "config" / "clearwell.service"
RULES = ROOT / "config" / "99-clearwell.rules"
MOST_EXPOSED = 2.0


def settings(section: str) -> dict[str, list[str]]:
    """Returns the lines of a section of the unit."""
    text = UNIT.read_text(encoding="utf-8").split(f"\n[{section}]\n", 1)[1].split("\n[", 1)[0]
    found: dict[str, list[str]] = {}
    for line in text.splitlines():
        if line and not line.startswith("#"):
            key, value = line.split("=", 1)
            found.setdefault(key, []).append(value)
    return found


def analyze(*arguments: str) -> Finished:
    return run("systemd-analyze", "--no-pager", *arguments, environ={"SYSTEMD_COLORS": "0"})


@pytest.mark.needs("systemd")
def test_the_unit_is_rated_as_little_exposed() -> None:
    done = analyze("security", "--offline=yes", f"--threshold={round(10 * MOST_EXPOSED)}", str(UNIT))
    rated = re.search(r"Overall exposure level for clearwell.service: ([0-9.]+)", done.stdout)
    assert rated is not None, done.stderr
    assert float(rated[1]) <= MOST_EXPOSED
    assert done.status == 0


@pytest.mark.needs("systemd")
def test_systemd_recognises_every_key_and_value_of_the_unit(tmp_path: Path) -> None:
    """The program is not installed at the unit's path, so the test replaces the path by another program."""
    text = UNIT.read_text(encoding="utf-8")
    program = settings("Service")["ExecStart"][0].split()[0]
    assert program == "/opt/clearwell/bin/clearwell"
    copy = tmp_path / UNIT.name
    copy.write_text(text.replace(program, shutil.which("true") or "/bin/true"), encoding="utf-8")
    done = analyze("verify", "--man=no", str(copy))
    assert (done.status, done.stdout, done.stderr) == (0, "", "")
    copy.write_text(copy.read_text(encoding="utf-8") + "\n[Service]\nProtectHoome=yes\n", encoding="utf-8")
    assert "ProtectHoome" in analyze("verify", "--man=no", str(copy)).stderr


def test_the_unit_gives_the_program_its_directories_secrets_and_devices() -> None:
    unit, service = settings("Unit"), settings("Service")
    assert service["Type"] == ["notify"]
    assert service["Restart"] == ["always"]
    assert unit["StartLimitIntervalSec"] == ["0"]
    assert 0 < int(service["WatchdogSec"][0]) <= 30
    assert service["RestartPreventExitStatus"] == ["2"]
    assert f"/var/lib/{service['StateDirectory'][0]}" == configuration.SERVICE_STATE
    assert [line.split(":")[0] for line in service["LoadCredential"]] == ["hub_username", "hub_password"]
    assert {"char-ttyUSB rw", "char-ttyACM rw"} == set(service["DeviceAllow"])
    assert "PrivateDevices" not in service
    assert service["SupplementaryGroups"] == [rule_assignments()["GROUP"]]
    # Every user can read the unit and its environment, so neither may contain the broker's password.
    assert "Environment" not in service


def rule_assignments() -> dict[str, str]:
    """Returns the matches and assignments of the file's one rule. Checks each part against udev's syntax."""
    text = RULES.read_text(encoding="utf-8").replace("\\\n", "")
    rules = [line for line in text.splitlines() if line.strip() and not line.startswith("#")]
    assert len(rules) == 1
    parts = [
        re.fullmatch(r'\s*([A-Z]+(?:\{[A-Za-z_]+\})?)(==|!=|=|\+=)"([^"]*)"\s*', part)
        for part in rules[0].split(",")
    ]
    assert all(parts), rules[0]
    return {part[1]: part[3] for part in parts if part is not None}


def test_the_udev_rule_sets_a_name_and_a_group_and_matches_nothing_unedited() -> None:
    rule = rule_assignments()
    assert rule["SUBSYSTEM"] == "tty"
    assert rule["GROUP"] == "dialout"
    assert rule["MODE"] == "0660"
    name = rule["SYMLINK"].removeprefix("clearwell-")
    assert Layout("polytunnel", "Polytunnel").device(name) == f"polytunnel-{name}"
    # A vendor's id is four hexadecimal digits.
    for key in ("ATTRS{idVendor}", "ATTRS{idProduct}"):
        assert not re.fullmatch("[0-9a-f]{4}", rule[key])
        assert re.search(rf"\b{rule[key]}\b", RULES.read_text(encoding="utf-8").split("ACTION")[0])


# --- it can still do its work ---------------------------------------------------------------------------


def allowed_calls() -> set[str]:
    """Returns the system calls that ``SystemCallFilter=`` allows, by systemd's own lists."""
    groups: dict[str, list[str]] = {}
    for line in analyze("syscall-filter").stdout.splitlines():
        if line.startswith("@"):
            members = groups.setdefault(line.strip(), [])
        elif line.startswith("    ") and not line.strip().startswith("#"):
            members.append(line.strip())

    def expanded(name: str) -> set[str]:
        found: set[str] = set()
        for member in groups[name]:
            found |= expanded(member) if member.startswith("@") else {member}
        return found

    # Always allowed, so that a process can start and end (systemd.exec(5)).
    calls = expanded("@default")
    for line in settings("Service")["SystemCallFilter"]:
        for name in line.removeprefix("~").split():
            calls = calls - expanded(name) if line.startswith("~") else calls | expanded(name)
    return calls


def child_of(process: int) -> int:
    return int(Path(f"/proc/{process}/task/{process}/children").read_text())


@pytest.mark.needs("systemd", "strace", "mosquitto")
async def test_the_daemon_makes_no_call_and_opens_no_file_that_the_unit_refuses(
    mosquitto: Mosquitto, passwords: Path, certificates: Path, configured: Callable[..., Path],
    secrets: Callable[[str, str], str], start: Start, tmp_path: Path,
) -> None:  # fmt: skip
    """The test traces a real run with a controller, an encrypted broker and a log.

    The trace cannot show the device's group and the addresses; the unit's comments explain both.
    """
    await mosquitto.stop()
    mosquitto.settings = (
        "allow_anonymous false", f"password_file {passwords}", f"cafile {certificates}/ca.pem",
        f"certfile {certificates}/broker.pem", f"keyfile {certificates}/broker.key",
    )  # fmt: skip
    await mosquitto.start()
    config = configured(
        mosquitto.port,
        hub=f'[hub.tls]\nca_file = "{certificates}/ca.pem"',
        top=secrets("clearwell", PASSWORD),
    )
    state = tmp_path / "state"
    state.mkdir()
    log = f'[log]\npath = "{state}/clearwell.db"'
    config.write_text(config.read_text().replace("[log]\nenabled = false", log))
    start("rig", "--pty", tmp_path / "no-controller", "--speed", "10")
    traced = tmp_path / "calls"
    daemon = start(
        "run", "--config", config, under=("strace", "-f", "-qq", "-s", "200", "-o", str(traced)),
        STATE_DIRECTORY=str(state), PYTHONDONTWRITEBYTECODE="1",
    )  # fmt: skip
    daemon.has_printed('"event": "controller-hello"')
    daemon.has_printed('"event": "hub-connected"')
    os.kill(child_of(daemon.pid), signal.SIGTERM)
    daemon.has_printed('"event": "stopped"')
    calls = traced.read_text(errors="replace")
    names = set(re.findall(r"^\d+ +([a-z_0-9]+)\(", calls, re.MULTILINE))
    assert {"openat", "connect", "fdatasync", "epoll_wait"} <= names
    # SQLite changes the owner of a file only if root runs it. The service does not run as root.
    by_root = {"fchown"} if os.geteuid() == 0 else set()
    assert names - by_root <= allowed_calls()
    # MemoryDenyWriteExecute=yes (systemd.exec(5)).
    assert not re.search(r"PROT_WRITE\|PROT_EXEC", calls)
    assert not re.search(r"mprotect\([^)]*PROT_EXEC", calls)
    families = set(re.findall(r"socket\((AF_\w+)", calls))
    assert families <= set(settings("Service")["RestrictAddressFamilies"][0].split())
    # ProtectSystem=strict: the service writes only to its own directories and the device.
    written = set(re.findall(r'openat\(AT_FDCWD, "([^"]+)", [^)]*O_(?:WRONLY|RDWR|CREAT)', calls))
    assert any(path.startswith(str(state)) for path in written)
    own = (str(state), str(tmp_path / "no-controller"), "/dev/null", "/dev/pts/")
    assert [path for path in written if not path.startswith(own)] == []
