"""Commands of people on the same machine, and two daemons that would disturb each other: real processes."""

import asyncio
import json
import signal
import socket
import stat
from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import ExitStack
from dataclasses import replace
from pathlib import Path

import pytest

from bridge.config.plan import LogPlan
from bridge.daemon import local_socket, process
from bridge.daemon.page_lines import (
    CommandRequest,
    CommandResult,
    command_request_line,
    command_result_line,
)
from bridge.demo import BRIDGE_ID, HURRIED, RESERVOIR, bridge, station
from bridge.history.reader import Reader
from bridge.history.records import CommandRow, Kind
from bridge.history.waiting import LogSettings
from bridge.mqtt.broker import MqttVersion
from bridge.rig.scenario import DEMO
from tests import board
from tests.brokers import Mosquitto, Observe, free_port
from tests.daemon.test_restart import CONFIG
from tests.running import Finished, Running, clearwell, clearwell_process, started
from tests.waiting import DEADLINE_S, until

END_MS = 2**45
TRIPPED = "product-over-limit"


@pytest.fixture
def config(tmp_path: Path) -> Path:
    """A configuration with a log, and a broker that nobody runs."""
    file = tmp_path / "clearwell.toml"
    file.write_text(CONFIG.format(broker=free_port(), pty=tmp_path / "controller"))
    return file


@pytest.fixture
def rig(tmp_path: Path) -> Iterator[Running]:
    with started("rig", "--pty", tmp_path / "controller", "--speed", 10) as one:
        yield one


def commands_in(log: Path) -> list[CommandRow]:
    with Reader(log) as reader:
        rows = reader.events(0, END_MS, kinds=[Kind.COMMAND])
        return [row for row in rows if isinstance(row, CommandRow)]


def begun(config: Path, *words: str) -> Running:
    running = started("run", *words, "--config", config)
    running.has_printed('"event": "started"')
    return running


def test_a_command_is_obeyed_or_refused_with_the_sentence_of_the_bridge_and_is_in_the_log(
    config: Path, rig: Running, tmp_path: Path
) -> None:
    with begun(config):
        held = clearwell_process("hold", "--config", config)
        assert (held.status, held.stdout, held.stderr) == (0, "Filling is on hold.\n", "")
        refused = clearwell_process("fill", "--config", config)
        assert (refused.status, refused.stdout) == (2, "")
        assert refused.stderr == "clearwell: No fill can start: filling is on hold.\n"
        assert clearwell("release", "--config", config).stdout == "Filling is no longer on hold.\n"
        assert (
            clearwell("reset", "overflow", "--config", config).stderr
            == "clearwell: Overflow is not latched.\n"
        )
        misspelt = clearwell("reset", "overflwo", "--config", config)
        assert misspelt.status == 2
        assert "'overflwo' is not a trip; all, product-over-limit" in misspelt.stderr
        assert clearwell("cartridge", "--config", config).stdout == "The cartridge change is recorded.\n"
        shelved = clearwell("shelve", "reservoir-low", "--minutes", 30, "--config", config)
        assert shelved.stdout == "Reservoir-low is shelved for 30 minutes.\n"
        nothing = clearwell("acknowledge", TRIPPED, "--config", config)
        assert (nothing.status, nothing.stdout) == (2, "")
        assert "waits to be acknowledged" in nothing.stderr
    rows = [(row.what, row.accepted) for row in commands_in(tmp_path / "log.db")]
    assert rows == [
        ("hold on", True),
        ("start fill", False),
        ("hold off", True),
        ("reset overflow", False),
        ("not understood", False),
        ("cartridge changed", True),
        ("shelve reservoir-low for 30 min", True),
        (f"acknowledge {TRIPPED}", False),
    ]
    senders = {row.sender for row in commands_in(tmp_path / "log.db")}
    assert len(senders) == 1
    assert senders.pop().endswith(" at this machine")


def test_a_latched_trip_is_reported_at_the_start_and_by_doctor_and_is_cleared_without_hub_and_page(
    config: Path, tmp_path: Path
) -> None:
    pty = tmp_path / "controller"
    with (
        started("rig", "--pty", pty, "--speed", 10, "--level", 0.4, "--fault", "probe-dry@0"),
        begun(config) as run,
    ):
        run.has_printed('"event": "probe-failure"')
    with started("rig", "--pty", pty, "--speed", 10, "--level", 0.4):
        with begun(config) as run:
            said = run.has_printed('"event": "latched"')
            assert "The trip probe-failure is latched, so no water flows." in said
            assert f"clearwell reset probe-failure --reservoir {RESERVOIR} --config FILE" in said
            found = json.loads(clearwell("doctor", config, "--json").stdout)["checks"]
            (trip,) = [one for one in found if one["check"] == "trips"]
            assert trip["verdict"] == "look"
            assert "probe-failure is latched" in trip["what"]
            assert f"clearwell reset probe-failure --reservoir {RESERVOIR} --config {config}" in trip["next"]
            run.has_printed('"event": "controller-hello"')
            reset = _reset_when_the_cause_is_gone(config)
            assert reset.stdout == "Reset: probe-failure.\n"
        found = json.loads(clearwell("doctor", config, "--json").stdout)["checks"]
        (trip,) = [one for one in found if one["check"] == "trips"]
        assert trip["verdict"] == "ok"


def _reset_when_the_cause_is_gone(config: Path) -> Finished:
    """Reset until the guard has seen good readings for long enough: it refuses with a sentence before."""
    while True:
        done = clearwell("reset", "probe-failure", "--config", config)
        if done.status == 0:
            return done
        assert (done.status, done.stdout) == (2, "")


def test_only_the_user_of_the_daemon_may_open_the_socket_and_a_stop_deletes_it(
    config: Path, rig: Running, tmp_path: Path
) -> None:
    path = tmp_path / "log.db.socket"
    with begun(config) as run:
        assert stat.S_IMODE(path.stat().st_mode) == 0o600
        assert run.stop() == 0
    assert not path.exists()
    assert not (tmp_path / "log.db.lock").exists()


def test_without_a_running_bridge_one_plain_sentence_says_so(config: Path, tmp_path: Path) -> None:
    for words in ("reset", "acknowledge", "hold", "release", "fill", "cartridge", "shelve reservoir-low"):
        done = clearwell(*words.split(), "--config", config)
        assert (done.status, done.stdout) == (1, "")
        assert done.stderr.startswith(
            f"clearwell: no bridge runs with this configuration: nothing listens on {tmp_path}"
        )
        assert done.stderr.count("\n") == 1


def test_a_socket_of_a_killed_daemon_is_taken_over(config: Path, rig: Running, tmp_path: Path) -> None:
    with begun(config) as run:
        run.stop(signal.SIGKILL)
    assert (tmp_path / "log.db.socket").exists()
    assert clearwell("hold", "--config", config).status == 1
    with begun(config):
        assert clearwell("hold", "--config", config).status == 0


def test_rubbish_on_the_socket_gets_no_answer_and_does_no_harm(
    config: Path, rig: Running, tmp_path: Path
) -> None:
    path = tmp_path / "log.db.socket"
    with begun(config):
        for rubbish in (
            b"",
            b"\n",
            b"{}\n",
            b"[]\n",
            b'{"command": [1]}\n',
            b"x" * 100_000,
            b"\xff\n",
            b'{"opened": ["", 1]}\n',
        ):
            with socket.socket(socket.AF_UNIX) as line:
                line.connect(str(path))
                try:
                    line.sendall(rubbish)
                    line.shutdown(socket.SHUT_WR)
                    assert line.recv(1) == b""
                except ConnectionError:
                    # The daemon closes the connection before it has read all of a long line.
                    continue
        idle = [socket.socket(socket.AF_UNIX) for _ in range(100)]
        for one in idle:
            one.connect(str(path))
        for one in idle:
            one.close()
        assert clearwell("hold", "--config", config).stdout == "Filling is on hold.\n"


def test_a_burst_of_silent_connections_does_not_keep_a_command_out(
    config: Path, rig: Running, tmp_path: Path
) -> None:
    path = tmp_path / "log.db.socket"
    with begun(config) as run, ExitStack() as lines:
        assert clearwell("hold", "--config", config).status == 0, "the daemon does not serve the socket yet"
        # The stopped daemon finds all of these connections at once, and the command behind them.
        run.send_signal(signal.SIGSTOP)
        for _ in range(90):
            silent = lines.enter_context(socket.socket(socket.AF_UNIX))
            silent.settimeout(DEADLINE_S)
            silent.connect(str(path))
        command = lines.enter_context(socket.socket(socket.AF_UNIX))
        command.settimeout(DEADLINE_S)
        command.connect(str(path))
        command.sendall(command_request_line(CommandRequest(1, RESERVOIR, "valve/hold", "false")))
        run.send_signal(signal.SIGCONT)
        with command.makefile("rb") as answers:
            assert b"Filling is no longer on hold." in answers.readline()


def test_a_command_waits_for_room_in_the_queue_of_a_busy_daemon(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "queue.socket"
    done = CommandResult(1, "done", "Filling is on hold.")
    with (
        socket.socket(socket.AF_UNIX) as daemon,
        socket.socket(socket.AF_UNIX) as first,
        ThreadPoolExecutor(1) as aside,
    ):
        daemon.bind(str(path))
        daemon.listen(0)
        daemon.settimeout(DEADLINE_S)
        first.connect(str(path))
        served: list[Future[bytes]] = []

        def serve() -> bytes:
            daemon.accept()[0].close()
            with daemon.accept()[0] as line, line.makefile("rwb") as ends:
                asked = ends.readline()
                ends.write(command_result_line(done))
            return asked

        def begin(_: float) -> None:
            if not served:
                served.append(aside.submit(serve))

        # The daemon gets to its queue only when the command has found it full.
        monkeypatch.setattr(local_socket, "sleep", begin)
        assert local_socket.ask(path, b"hold\n") == done
        assert served[0].result(DEADLINE_S) == b"hold\n"


def test_a_socket_with_a_name_that_is_too_long_for_the_system_works(
    config: Path, rig: Running, tmp_path: Path
) -> None:
    folder = tmp_path / ("long" * 30)
    folder.mkdir()
    config.write_text(config.read_text().replace("[bridge]", f'[bridge]\nsocket = "{folder / "own.socket"}"'))
    with begun(config):
        assert (folder / "own.socket").is_socket()
        assert clearwell("hold", "--config", config).status == 0


def test_a_second_daemon_on_the_same_log_does_not_start_and_names_the_first(
    config: Path, rig: Running, tmp_path: Path
) -> None:
    other = tmp_path / "other.toml"
    other.write_text(config.read_text().replace(BRIDGE_ID, "another"))
    with begun(config) as run:
        done = clearwell_process("run", "--config", other)
        assert done.status == 2
        assert (
            f"another daemon writes the log {tmp_path / 'log.db'}: process {run.pid}, which has run since 20"
            in done.stderr
        )
        assert clearwell("hold", "--config", config).status == 0, "the first one was disturbed"


def test_a_second_daemon_on_the_same_socket_does_not_start_and_names_the_first(
    config: Path, rig: Running, tmp_path: Path
) -> None:
    config.write_text(config.read_text().replace("[bridge]", '[bridge]\nsocket = "own.socket"'))
    other = tmp_path / "other.toml"
    other.write_text(config.read_text().replace(BRIDGE_ID, "another").replace("log.db", "other.db"))
    with begun(config) as run:
        done = clearwell_process("run", "--config", other)
        assert done.status == 2
        assert (
            f"another daemon listens on {tmp_path / 'own.socket'}: process {run.pid}, which has run since"
            in done.stderr
        )
        assert clearwell("hold", "--config", config).status == 0
        assert run.stop() == 0
    config.with_name("own.socket").write_text("a file of somebody")
    done = clearwell_process("run", "--config", other)
    assert done.status == 2
    assert "is a file of another kind" in done.stderr


async def test_a_second_daemon_with_the_same_client_id_does_not_start_and_the_first_stays_connected(
    tmp_path: Path, mosquitto: Mosquitto, observe: Observe
) -> None:
    hub = await observe(mosquitto)
    config, other = tmp_path / "clearwell.toml", tmp_path / "other.toml"
    config.write_text(CONFIG.format(broker=mosquitto.port, pty=tmp_path / "controller"))
    other.write_text(config.read_text().replace("log.db", "other.db"))
    with started("run", "--config", config) as run:
        await hub.has(f"homie/5/{BRIDGE_ID}/$state", "ready")
        done = clearwell_process("run", "--config", other)
        assert done.status == 2
        assert (
            f"uses the client id '{BRIDGE_ID}' at 127.0.0.1:{mosquitto.port}: process {run.pid}, which"
            in done.stderr
        )
        states = [payload for topic, payload in hub.seen if topic == f"homie/5/{BRIDGE_ID}/$state"]
        assert states == ["init", "ready"]


async def test_an_entry_reaches_the_running_daemon_at_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(process, "SAMPLES_EVERY_S", 3600.0)
    log = tmp_path / "log.db"
    one = station(DEMO, str(tmp_path / "controller"), HURRIED, 0.5, 0.9)
    plan = replace(
        bridge(one, "127.0.0.1", 1, MqttVersion.V5),
        hub=None,
        log=LogPlan(log, LogSettings()),
        socket=tmp_path / "log.db.socket",
    )
    words = (
        "--conductivity",
        90,
        "--compensated",
        "--of",
        "reservoir",
        "--reservoir",
        RESERVOIR,
        "--log",
        log,
    )

    def known() -> bool:
        with Reader(log) as reader:
            return RESERVOIR in reader.reservoirs()

    with started("rig", "--pty", tmp_path / "controller", "--speed", 10):
        async with board.running(plan):
            await until(known, "the log does not know the reservoir")
            done = await asyncio.to_thread(clearwell, "sample", *words)
            assert done.status == 0, done.stderr
            assert "The running bridge reads it now." in done.stdout
            await until(lambda: commands_in(log) != [], "the daemon did not read the sample")
    assert commands_in(log)[0].what == "reservoir sample of 45 ppm"
    assert "running bridge" not in (await asyncio.to_thread(clearwell, "sample", *words)).stdout
