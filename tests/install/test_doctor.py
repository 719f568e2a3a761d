"""``clearwell doctor`` finds real faults, gives a remedy, opens no valve and leaves no file behind."""

import asyncio
import fcntl
import json
import os
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from bridge.config.loading import load
from bridge.doctor import SIGNS, Finding, Verdict
from bridge.doctor.judge_connections import judge_controller, judge_port
from bridge.doctor.see_connections import ask_controller, openers, see_port
from bridge.protocol.frame import seal
from bridge.protocol.messages import Close, Identify, Lease
from tests.board import Board
from tests.brokers import Mosquitto, Observe, free_port
from tests.install.conftest import as_somebody_else
from tests.running import Finished, Running, clearwell
from tests.security.conftest import Start

PASSWORD = "slow-heron-58"
DEVICE = "homie/5/polytunnel-barrel"
RULES = (
    "topic write homie/5/polytunnel/+",
    "topic write homie/5/polytunnel/+/+",
    f"topic write {DEVICE}/+",
    f"topic write {DEVICE}/+/+",
    f"topic read {DEVICE}/+/+/set",
    f"topic write {DEVICE}/doctor/echo/set",
)


def checks(done: Finished) -> dict[tuple[str, str], dict[str, str]]:
    """Returns the findings of ``--json``, the worst of each check."""
    order = [one.value for one in Verdict]
    found: dict[tuple[str, str], dict[str, str]] = {}
    for one in json.loads(done.stdout)["checks"]:
        key = (one["check"], one["about"])
        if key not in found or order.index(one["verdict"]) > order.index(found[key]["verdict"]):
            found[key] = one
    return found


def doctor(config: Path, **environ: str) -> tuple[Finished, dict[tuple[str, str], dict[str, str]]]:
    done = clearwell("doctor", config, "--json", **environ)
    return done, checks(done)


# --- as a command ---------------------------------------------------------------------------------------


def test_each_finding_is_one_line_with_sign_and_word_and_the_status_is_the_worst(
    rig: Path, configured: Callable[..., Path]
) -> None:
    done = clearwell("doctor", configured(port=rig))
    assert done.status == 0, done.stdout
    *lines, last = done.stdout.splitlines()
    assert all(any(line.startswith(sign + " ") for sign in SIGNS.values()) for line in lines)
    ok, look = (sum(one.startswith(sign) for one in lines) for sign in ("[+]", "[?]"))
    assert last == f"{ok} ok, {look} to look at, 0 wrong."
    assert any("controller barrel: rig-1 with the firmware" in line for line in lines)
    # Each finding that is not ok has a remedy.
    assert all("To do: " in line for line in lines if not line.startswith("[+]"))


def test_mistakes_in_the_file_and_on_the_command_line_have_different_statuses(
    configured: Callable[..., Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    config = configured()
    config.write_text(config.read_text() + "\n[reservoir.barrel.guard]\nlimit_ppm = -5\n")
    done, found = doctor(config)
    assert done.status == 1
    assert "limit_ppm = -5" in found["configuration", ""]["what"]
    done = clearwell("doctor", tmp_path / "nothing.toml")
    assert (done.status, done.stdout) == (2, "")
    assert "there is no such file" in done.stderr
    monkeypatch.chdir(tmp_path / ".." if not (tmp_path / "..").joinpath("clearwell.toml").exists() else "/")
    done = clearwell("doctor")
    assert done.status == 2
    assert "which configuration?" in done.stderr
    # The configuration in this directory is the default.
    monkeypatch.chdir(tmp_path)
    assert clearwell("doctor").status == 1


# --- the port -------------------------------------------------------------------------------------------


def test_a_missing_device_and_a_file_that_is_no_device_are_found(
    configured: Callable[..., Path], tmp_path: Path
) -> None:
    done, found = doctor(configured())
    assert done.status == 1
    assert found["port", "barrel"]["verdict"] == "wrong"
    assert "There is no device at" in found["port", "barrel"]["what"]
    assert ("controller", "barrel") not in found
    file = tmp_path / "a-file"
    file.write_text("")
    assert "not a serial device" in judge_port("barrel", see_port(str(file))).what


def test_a_port_without_permission_is_reported_with_its_group(board: Board) -> None:
    os.chmod(board.path, 0o660)
    if os.geteuid() == 0:
        seen = as_somebody_else(lambda: see_port(board.path))
    else:
        os.chmod(board.path, 0o060)
        seen = see_port(board.path)
    found = judge_port("barrel", seen)  # type: ignore[arg-type]
    assert found.verdict is Verdict.WRONG
    assert "may not open" in found.what
    assert "rw-" in found.what
    assert found.next


def test_the_port_of_a_running_daemon_is_not_opened(
    rig: Path, start: Start, configured: Callable[..., Path], tmp_path: Path
) -> None:
    config = configured(port=rig)
    runtime = tmp_path / "runtime"
    runtime.mkdir()
    daemon = start("run", "--config", config, RUNTIME_DIRECTORY=str(runtime))
    daemon.has_printed('"event": "controller-hello"')
    done, found = doctor(config, RUNTIME_DIRECTORY=str(runtime))
    assert done.status == 0, done.stdout
    assert found["port", "barrel"]["what"].endswith(f"open in the daemon, process {daemon.pid}.")
    assert found["daemon", ""]["verdict"] == "ok"
    assert daemon.process.poll() is None
    daemon.stop()
    assert "link-down" not in daemon.printed


def test_a_port_in_use_is_reported_with_the_program_that_has_it(board: Board) -> None:
    program = (
        "import fcntl, os, sys; f = os.open(sys.argv[1], os.O_RDWR | os.O_NOCTTY); "
        "fcntl.flock(f, 2); print(1, flush=True); input()"
    )
    with Running(sys.executable, "-c", program, board.path) as other:
        other.has_printed("1")
        found = judge_port("barrel", see_port(board.path))
        assert found.verdict is Verdict.WRONG
        assert f"(process {other.pid})" in found.what
        assert "stop that one" in found.next


def test_a_program_that_has_a_file_open_without_a_lock_is_found(tmp_path: Path) -> None:
    """A terminal program has a serial device open in this way."""
    file, link = tmp_path / "device", tmp_path / "link"
    file.write_text("")
    link.symlink_to(file)
    with file.open() as opened, file.open() as locked:
        fcntl.flock(locked, fcntl.LOCK_EX)
        assert list(openers(str(link))) == [os.getpid()]
        assert opened.read() == ""
    assert list(openers(str(link))) == []


# --- the controller -------------------------------------------------------------------------------------


@contextmanager
def speaking(board: Board, say: Callable[[], object]) -> Iterator[list[object]]:
    """Runs a controller that sends repeatedly. Yields the frames that it receives."""
    heard: list[object] = []
    ended = threading.Event()

    def go_on() -> None:
        while not ended.wait(0.05):
            heard.extend(board.heard())
            say()

    talking = threading.Thread(target=go_on)
    talking.start()
    try:
        yield heard
    finally:
        ended.set()
        talking.join()
        heard.extend(board.heard())


def controller(board: Board, config: Path, patience_s: float) -> list[Finding]:
    (plan,) = load(config, {}).stations
    return list(judge_controller(plan, ask_controller(plan, patience_s)))


def test_the_first_and_the_last_frame_are_a_close_and_none_opens_the_valve(
    board: Board, configured: Callable[..., Path]
) -> None:
    def say() -> None:
        board.hello()
        board.read(20.0)

    with speaking(board, say) as heard:
        found = controller(board, configured(port=board.path), 8.0)
    assert "board with the firmware 1.0 answers in version 1" in found[0].what
    assert isinstance(heard[0], Close)
    assert isinstance(heard[-1], Close)
    assert any(isinstance(one, Identify) for one in heard)
    assert not any(isinstance(one, Lease) for one in heard)
    # This board reports no overflow float, and the configuration has one.
    assert [one.verdict for one in found] == [Verdict.OK, Verdict.WRONG]
    assert "an overflow float" in found[1].what


@pytest.mark.parametrize(
    ("line", "said"),
    [
        (seal(">2 0 hello id=later fw=2.0"), "uses another version of the line protocol"),
        (b">1 0 hello id=later fw=2.0*00000000\n", "are damaged"),
        (b"", "Nothing was received"),
    ],
    ids=["foreign", "damaged", "silent"],
)
def test_a_controller_that_sends_nothing_or_nonsense_is_found(
    board: Board, configured: Callable[..., Path], line: bytes, said: str
) -> None:
    with speaking(board, lambda: os.write(board.master, line)):
        (found,) = controller(board, configured(port=board.path), 0.6)
    assert found.verdict is Verdict.WRONG
    assert said in found.what
    assert found.next


# --- the broker -----------------------------------------------------------------------------------------


def hub(port: int, more: str = "") -> str:
    return f'[hub]\nhost = "localhost"\nport = {port}\n{more}'


async def at(
    mosquitto: Mosquitto, settings: tuple[str, ...], config: Path, password: str = PASSWORD
) -> tuple[Finished, dict[tuple[str, str], dict[str, str]]]:
    await mosquitto.stop()
    mosquitto.settings = settings
    await mosquitto.start()
    account = {"CLEARWELL_HUB__USERNAME": "clearwell", "CLEARWELL_HUB__PASSWORD": password}
    return await asyncio.to_thread(lambda: doctor(config, **account))


def test_a_stopped_broker_is_found(configured: Callable[..., Path]) -> None:
    done, found = doctor(configured(hub=hub(free_port())))
    assert done.status == 1
    assert "nothing listens there" in found["broker", ""]["what"]
    assert found["broker", ""]["next"]
    assert ("login", "") not in found


@pytest.mark.parametrize("version", ["5", "3.1.1"])
async def test_a_broker_that_permits_everything_passes_and_retains_no_test_message(
    mosquitto: Mosquitto, accounts: Callable[..., tuple[str, ...]], configured: Callable[..., Path],
    observe: Observe, version: str,
) -> None:  # fmt: skip
    """The check also works if the bridge uses MQTT 3.1.1, which does not report a refused message."""
    settings = (*accounts(PASSWORD, *RULES), "allow_anonymous true")
    settings = tuple(one for one in settings if one != "allow_anonymous false")
    config = configured(hub=hub(mosquitto.port, f'version = "{version}"'))
    _, found = await at(mosquitto, settings, config)
    for check in (
        ("broker", ""),
        ("login", ""),
        ("rights", "homie/5/polytunnel"),
        ("rights", DEVICE),
        ("commands", DEVICE),
    ):
        assert found[check]["verdict"] == "ok", found[check]
    assert "user name and password" in found["login", ""]["what"]
    watcher = await observe(mosquitto)
    await watcher.sends("somewhere", "x")
    assert watcher.kept == {}


async def test_a_wrong_password_is_reported_and_not_shown(
    mosquitto: Mosquitto, accounts: Callable[..., tuple[str, ...]], configured: Callable[..., Path]
) -> None:
    done, found = await at(
        mosquitto, accounts(PASSWORD, *RULES), configured(hub=hub(mosquitto.port)), "guess-me-not"
    )
    assert done.status == 1
    assert found["login", ""]["verdict"] == "wrong"
    assert "user name and password" in found["login", ""]["what"]
    assert "guess-me-not" not in done.stdout + done.stderr
    assert ("rights", DEVICE) not in found


@pytest.mark.parametrize(
    ("without", "check", "verdict"),
    [
        (f"topic write {DEVICE}/+/+", ("rights", DEVICE), "wrong"),
        ("topic write homie/5/polytunnel/+/+", ("rights", "homie/5/polytunnel"), "wrong"),
        (f"topic read {DEVICE}/+/+/set", ("commands", DEVICE), "wrong"),
        (f"topic write {DEVICE}/doctor/echo/set", ("commands", DEVICE), "look"),
    ],
)
async def test_access_rules_that_forbid_publishing_or_subscribing_are_found(
    mosquitto: Mosquitto, accounts: Callable[..., tuple[str, ...]], configured: Callable[..., Path],
    without: str, check: tuple[str, str], verdict: str,
) -> None:  # fmt: skip
    rules = [rule for rule in RULES if rule != without]
    _, found = await at(mosquitto, accounts(PASSWORD, *rules), configured(hub=hub(mosquitto.port)))
    assert found[check]["verdict"] == verdict
    assert DEVICE.split("-")[0] in found[check]["next"]
    others = {
        key: one for key, one in found.items() if key[0] in ("login", "rights", "commands") and key != check
    }
    assert {one["verdict"] for one in others.values()} == {"ok"}


def test_an_unencrypted_password_over_the_network_is_a_warning(configured: Callable[..., Path]) -> None:
    from bridge.doctor.judge_connections import HubFacts, judge_hub

    config = configured(hub='[hub]\nhost = "broker.example"')
    plan = load(config, {"CLEARWELL_HUB__USERNAME": "u", "CLEARWELL_HUB__PASSWORD": "p"}).hub
    assert plan is not None
    (found,) = (one for one in judge_hub(plan.broker, HubFacts()) if one.check == "encryption")
    assert found.verdict is Verdict.LOOK
    assert "in clear" in found.what
    assert "hub.tls" in found.next
