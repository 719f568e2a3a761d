"""The page ``config/INSTALL.md`` is true: its lines run in a separate root, and the results fit together."""

import asyncio
import os
import re
import shutil
import stat
import subprocess
import sys
from pathlib import Path

import pytest

from bridge.commands.shared import configuration as installed
from bridge.config.loading import load
from tests.brokers import Mosquitto
from tests.install.conftest import ROOT
from tests.install.test_doctor import checks
from tests.mqtt.test_access import openssl
from tests.running import clearwell
from tests.security.conftest import Start
from tests.waiting import DEADLINE_S

PAGE = (ROOT / "config" / "INSTALL.md").read_text(encoding="utf-8")
STEPS = dict(re.findall(r"<!-- run: (\w+) -->\n```sh\n(.*?)\n```", PAGE, re.DOTALL))
MADE = ("names", "configuration", "accounts", "certificates", "broker", "port", "unit")
"""The steps that need no network."""
INSTALLERS = ("uv", *(("pipx",) if os.environ.get("CLEARWELL_PIPX") else ()))
"""With pipx it takes half a minute, so that is done when it is asked for."""
TREE = ("bridge", "config", "pyproject.toml", "README.md", "LICENSE")


def moved(text: str, root: Path) -> str:
    """Rewrites lines or a file of the page for a machine whose file system begins at ``root``."""
    text = re.sub(r"(?<![\w./}])/(etc|opt|usr/local)/", rf"{root}/\1/", text)
    text = text.replace("sudo ", "").replace("chown mosquitto:", "chown $(id -u)")
    return text.replace("cd -\n", "cd - >/dev/null\n")


def typed(step: str, root: Path, **environ: str) -> str:
    """Runs a step and returns its output."""
    path = (str(Path(sys.executable).parent), os.environ["PATH"], "/usr/sbin")
    done = subprocess.run(
        ["bash", "-euo", "pipefail", "-c", f"umask 022\n{moved(STEPS[step], root)}\n"],
        cwd=root / "clone",
        env={**os.environ, "PATH": ":".join(path), **environ},
        capture_output=True,
        text=True,
        check=False,
        timeout=DEADLINE_S,
    )
    assert done.returncode == 0, f"{step}: {done.stderr}"
    return done.stdout


def root_at(folder: Path) -> Path:
    (folder / "clone").mkdir()
    for name in TREE:
        source = ROOT / name
        if source.is_dir():
            shutil.copytree(source, folder / "clone" / name, ignore=shutil.ignore_patterns("__pycache__"))
        else:
            shutil.copy(source, folder / "clone" / name)
    return folder


@pytest.fixture(scope="module")
def machine(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A machine after every step. The program is a link instead of an installation."""
    root = root_at(tmp_path_factory.mktemp("machine"))
    program = root / "opt" / "clearwell" / "bin" / "clearwell"
    program.parent.mkdir(parents=True)
    program.write_text(f'#!/bin/sh\nPYTHONPATH={ROOT}:$PYTHONPATH exec {sys.executable} -m bridge "$@"\n')
    program.chmod(0o755)
    # The package of the broker makes this directory.
    (root / "etc" / "mosquitto").mkdir(parents=True)
    for step in MADE:
        typed(step, root)
    certs = root / "etc" / "mosquitto" / "certs"
    curve = ("-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes")
    usage = ("-addext", "keyUsage=critical,keyCertSign", "-subj", "/CN=other")
    openssl("req", "-x509", *curve, *usage, "-keyout", f"{certs}/other.key", "-out", f"{certs}/other.pem")
    return root


def test_every_line_of_the_page_runs_except_those_for_a_running_system() -> None:
    assert set(STEPS) == {"pipx", "uv", *MADE}
    blocks = re.findall(r"```sh\n(.*?)\n```", PAGE, re.DOTALL)
    others = [line for block in blocks if block not in STEPS.values() for line in block.splitlines()]
    # Packages, the other installer, the service manager, and steps that need an installed machine.
    allowed = (
        r"sudo (apt|systemctl|udevadm|rm|tar|install -m 0644 config/clearwell.service)\b|git pull|"
        r"sudo env (UV_TOOL_DIR|PIPX_HOME)|sudo clearwell (backup|restore|check|doctor|commission)\b"
    )
    assert [line for line in others if not re.match(allowed, line)] == []
    for command in re.findall(r"clearwell ([a-z]+) ", "\n".join(others)):
        assert clearwell(command, "--help").status == 0


@pytest.mark.parametrize("installer", INSTALLERS)
def test_the_program_is_installed_at_the_path_in_the_unit(installer: str, tmp_path: Path) -> None:
    root = root_at(tmp_path)
    # If the tests have an interpreter of their own, the program is installed for that interpreter.
    STEPS[installer] = STEPS[installer].replace("/usr/bin/python3", sys.executable)
    said = typed(installer, root, PYTHONPATH="")
    assert "clearwell, version" in said
    program = root / "opt" / "clearwell" / "bin" / "clearwell"
    assert (
        f"ExecStart=/{program.relative_to(root)} run" in (ROOT / "config" / "clearwell.service").read_text()
    )
    # No file of the program is in a directory that the unit hides from the service.
    assert program.resolve().is_relative_to(root / "opt" / "clearwell")
    python = program.resolve().read_text().splitlines()[0].removeprefix("#!")
    assert Path(python).is_relative_to(root / "opt" / "clearwell")


def test_only_root_can_read_the_secrets_and_the_service_can_read_the_rest(machine: Path) -> None:
    secrets = machine / "etc" / "clearwell" / "secrets"
    assert stat.S_IMODE(secrets.stat().st_mode) == 0o700
    assert {one.name for one in secrets.iterdir()} == {"hub_username", "hub_password", "broker_accounts"}
    private = [
        *secrets.iterdir(),
        machine / "etc/mosquitto/certs/broker.key",
        machine / "etc/mosquitto/certs/ca.key",
    ]
    assert {stat.S_IMODE(one.stat().st_mode) for one in private} == {0o600}
    password = (secrets / "hub_password").read_text().strip()
    assert len(password) == 32
    assert password not in (machine / "etc/mosquitto/clearwell-passwords").read_text()
    config = machine / "etc" / "clearwell" / "clearwell.toml"
    assert stat.S_IMODE(config.stat().st_mode) == 0o644
    assert stat.S_IMODE(config.parent.stat().st_mode) == 0o755


def test_the_configuration_finds_the_accounts_and_the_authority(
    machine: Path,
) -> None:
    etc = machine / "etc" / "clearwell"
    environ = installed.environ_as_daemon(etc / "clearwell.toml", {}, etc, str(machine / "state"))
    hub = load(etc / "clearwell.toml", environ).hub
    assert hub is not None
    assert hub.broker.username == "clearwell"
    assert hub.broker.password is not None
    assert hub.broker.password.reveal() == (etc / "secrets" / "hub_password").read_text().strip()
    assert hub.broker.port == 8883
    # The directories are the unit's own.
    unit = (ROOT / "config" / "clearwell.service").read_text()
    assert f"--config {installed.SERVICE_ETC / installed.NAME}" in unit
    for name in ("hub_username", "hub_password"):
        assert f"LoadCredential={name}:{installed.SERVICE_ETC / installed.SECRETS / name}\n" in unit
    # Another configuration is not the service's, and does not get the service's directories.
    assert installed.environ_as_daemon(ROOT / "config" / "minimal.toml", {}, etc) == {}
    kept = load(etc / "clearwell.toml", environ).log
    assert kept is not None
    assert kept.path == machine / "state" / "clearwell.db"
    assert installed.SERVICE_STATE in PAGE


def of_this_machine(machine: Path, port: int, line: object) -> Path:
    """Returns the configuration with a real controller and broker."""
    config = machine / "etc" / "clearwell" / f"tried-{port}.toml"
    text = moved((machine / "etc/clearwell/clearwell.toml").read_text(), machine)
    text = re.sub(r'port = "/dev/serial/[^"]*"', f'port = "{line}"', text)
    text = text.replace('host = "localhost"', f'host = "localhost"\nport = {port}')
    config.write_text(text)
    return config


async def broker_of(machine: Path, mosquitto: Mosquitto) -> Mosquitto:
    """Runs mosquitto with the settings, accounts, rules and certificates of the page, on its own port."""
    await mosquitto.stop()
    text = moved((machine / "etc/mosquitto/conf.d/clearwell.conf").read_text(), machine)
    (listener,) = re.findall(r"^listener 8883$", text, re.MULTILINE)
    before, after = text.split(listener)
    # The test's broker names the listener before its other lines. Lines before the listener are global.
    mosquitto.settings = tuple(line for line in (after + before).splitlines() if line and line[0] != "#")
    await mosquitto.start()
    return mosquitto


@pytest.mark.needs("mosquitto")
async def test_bridge_broker_accounts_certificates_and_rules_work_together(
    machine: Path, mosquitto: Mosquitto, rig: Path
) -> None:
    broker = await broker_of(machine, mosquitto)
    config = of_this_machine(machine, broker.port, rig)
    credentials = {
        "CREDENTIALS_DIRECTORY": str(machine / "etc/clearwell/secrets"),
        "STATE_DIRECTORY": str(machine),
    }
    done = await asyncio.to_thread(lambda: clearwell("doctor", config, "--json", **credentials))
    assert done.status == 0, done.stdout
    found = checks(done)
    for check in ("broker", "encryption", "login"):
        assert found[check, ""]["verdict"] == "ok", found[check, ""]
    assert "8" in found["encryption", ""]["what"]
    assert "is trusted for 82" in found["encryption", ""]["what"]
    for check in ("rights", "commands"):
        assert found[check, "homie/5/polytunnel-barrel"]["verdict"] == "ok"
    # A client without an account, or with another authority, is refused.
    stranger = await asyncio.to_thread(
        lambda: clearwell(
            "doctor", config, "--json", CLEARWELL_HUB__USERNAME="hub", CLEARWELL_HUB__PASSWORD="hub"
        )
    )
    assert checks(stranger)["login", ""]["verdict"] == "wrong"
    other = machine / "etc/mosquitto/certs/other.pem"
    config.write_text(
        config.read_text().replace(f"{machine}/etc/mosquitto/ca_certificates/ca.pem", str(other))
    )
    done = await asyncio.to_thread(lambda: clearwell("doctor", config, "--json", **credentials))
    assert done.status == 1
    assert "not trusted" in checks(done)["encryption", ""]["what"]
    assert ("login", "") not in checks(done)


@pytest.mark.needs("mosquitto")
async def test_the_daemon_starts_with_the_files_of_the_page(
    machine: Path, mosquitto: Mosquitto, rig: Path, start: Start, tmp_path: Path
) -> None:
    broker = await broker_of(machine, mosquitto)
    config = of_this_machine(machine, broker.port, rig)
    places = {
        "CREDENTIALS_DIRECTORY": str(machine / "etc/clearwell/secrets"),
        "STATE_DIRECTORY": str(tmp_path),
    }
    daemon = start("run", "--config", config, **places)
    await asyncio.to_thread(daemon.has_printed, '"event": "hub-connected"')
    done = await asyncio.to_thread(lambda: clearwell("doctor", config, "--json", **places))
    found = checks(done)
    assert done.status == 0, done.stdout
    assert found["daemon", ""]["verdict"] == "ok"
    # The doctor did not take over the daemon's connection, and sent no command.
    assert "Not tried while the daemon runs" in found["commands", "homie/5/polytunnel-barrel"]["what"]
    daemon.stop()
    said = daemon.printed
    assert "hub-away" not in said
    assert "command-refused" not in said


@pytest.mark.needs("systemd")
def test_systemd_accepts_the_unit_of_an_installed_program(machine: Path) -> None:
    unit = machine / "etc" / "systemd" / "system" / "clearwell.service"
    copy = machine / "clearwell.service"
    copy.write_text(moved(unit.read_text(), machine))
    assert f"ExecStart={machine}/opt/clearwell/bin/clearwell run" in copy.read_text()
    done = subprocess.run(
        ["systemd-analyze", "--no-pager", "verify", "--man=no", str(copy)],
        capture_output=True,
        text=True,
        check=False,
    )
    assert (done.returncode, done.stdout, done.stderr) == (0, "", "")


def test_udev_accepts_the_udev_rule(machine: Path) -> None:
    """The installed udev checks the rule. A newer udev has a command for this check.

    An older udev needs root and the rule in place, so the test uses a private mount namespace.
    """
    rule = machine / "etc" / "udev" / "rules.d" / "99-clearwell.rules"
    assert rule.read_text() == (ROOT / "config" / "99-clearwell.rules").read_text()
    if shutil.which("udevadm") is None:
        return
    wrong = machine / "wrong.rules"
    wrong.write_text(rule.read_text().replace('GROUP="dialout"', 'GRUOP="dialout"'))
    said = [complaints(one) for one in (rule, wrong)]
    if None not in said:
        assert said[0] == ""
        assert "GRUOP" in str(said[1])


def complaints(rule: Path) -> str | None:
    """Returns udev's complaints about a file, or None if udev cannot check the file here."""
    asked = subprocess.run(
        ["udevadm", "verify", "--no-summary", str(rule)], capture_output=True, text=True, check=False
    )
    if "Unknown command" not in asked.stderr + asked.stdout and "unrecognized" not in asked.stderr:
        return "" if asked.returncode == 0 else asked.stderr + asked.stdout
    folder = rule.parent / f"{rule.stem}.d"
    folder.mkdir(exist_ok=True)
    shutil.copy(rule, folder / "99-clearwell.rules")
    script = f"mount --bind {folder} /etc/udev/rules.d && udevadm test /sys/class/mem/null 2>&1"
    asked = subprocess.run(
        ["unshare", "--mount", "sh", "-c", script], capture_output=True, text=True, check=False
    )
    if "Reading rules file: /etc/udev/rules.d/99-clearwell.rules" not in asked.stdout:
        return None
    lines = [line for line in asked.stdout.splitlines() if "99-clearwell" in line and "Reading" not in line]
    return "\n".join(lines)
