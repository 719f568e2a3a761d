"""The start of the daemon: warnings are logged, mistakes refused, in one process."""

import os
import pty
import sys
import tty
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.brokers import free_port
from tests.running import Finished, Running, run, started

ROOT = Path(__file__).parents[2]
MINIMAL = (ROOT / "config" / "minimal.toml").read_text(encoding="utf-8")
PORT = "/dev/serial/by-id/usb-controller-if00"
MAIN = "from bridge.commands.main import main; main()"
CHANGED = "import os, signal; import bridge.config.loading as file; {change}; " + MAIN


def program(*words: object, code: str = MAIN) -> Finished:
    """Runs the program to its end, by code that can first change the program."""
    return run(sys.executable, "-c", code, *words, cwd=ROOT)


@pytest.fixture
def line() -> Iterator[str]:
    """A serial line without a program at its other end."""
    master, slave = pty.openpty()
    tty.setraw(slave)
    yield os.ttyname(slave)
    os.close(master)
    os.close(slave)


@pytest.fixture
def config(tmp_path: Path, line: str) -> Path:
    file = tmp_path / "clearwell.toml"
    assert PORT in MINIMAL
    # A port of its own: two daemons on one machine may not have the same client id at the same broker.
    hub = f'[hub]\nhost = "localhost"\nport = {free_port()}\n'
    log = f'[log]\npath = "{tmp_path / "log.db"}"\n'
    file.write_text(f"{hub}{log}{MINIMAL.replace(PORT, line)}", encoding="utf-8")
    return file


def test_a_warning_is_logged(config: Path) -> None:
    file = config.with_name("warned.toml")
    file.write_text(config.read_text().replace('host = "localhost"', 'host = "192.0.2.7"'))
    with started("run", "--config", file, cwd=ROOT) as daemon:
        said = daemon.prints('"event": "started"')
    assert "nothing between here and 192.0.2.7 is encrypted" in said


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("[log]", "[logg]"),
        ('host = "localhost"', 'host = "localhost"\npassword = "secret"'),
        ("[hub]", "[hub"),
        ("diameter_m = 0.58", "diameter_m = -0.58\ncolour = 'green'"),
    ],
)
def test_mistakes_have_the_message_and_the_status_of_clearwell_check(
    config: Path, old: str, new: str
) -> None:
    assert old in config.read_text()
    config.write_text(config.read_text().replace(old, new))
    ran = program("run", "--config", config)
    assert ran == program("check", config)
    assert ran.status == 2
    assert "secret" not in ran.stderr.replace("secrets_dir", "")


def test_a_missing_file_and_a_file_without_a_reservoir_are_reported(tmp_path: Path) -> None:
    ran = program("run", "--config", tmp_path / "none.toml")
    assert "there is no such file" in ran.stderr
    assert ran.status == 2
    empty = tmp_path / "empty.toml"
    empty.write_text(
        "[purifier.pitcher.cartridge]\nkind = 'exchange'\ntreats = '45 us-gal'\ntreats_of = 95\n"
    )
    ran = program("run", "--config", empty)
    assert "there is no [reservoir.<id>] to keep filled" in ran.stderr
    assert ran.status == 2


def test_a_fault_of_the_program_shows_its_traceback(config: Path) -> None:
    ran = program("run", "--config", config, code=CHANGED.format(change="file.read = None"))
    assert ran.status == 1
    assert "'NoneType' object is not callable" in ran.stderr


def test_an_interrupt_while_the_configuration_is_read_is_no_fault(config: Path) -> None:
    code = CHANGED.format(change="file.read = lambda *_: os.killpg(0, signal.SIGINT)")
    # The signal goes to every process of the session, so the program has a session of its own.
    with Running(sys.executable, "-c", code, "run", "--config", config, cwd=ROOT) as ran:
        assert ran.ended() == 130
    assert ran.printed.strip() == "clearwell: stopped"


def test_no_child_is_left_behind(config: Path) -> None:
    with started("run", "--config", config, cwd=ROOT) as daemon:
        daemon.prints('"event": "started"')
        children = Path(f"/proc/{daemon.pid}/task/{daemon.pid}/children").read_text().split()
    assert children == []
