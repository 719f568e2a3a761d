"""The daemon starts: what its configuration says is logged, refused or kept, in one process."""

import os
import pty
import subprocess
import sys
import tty
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
MINIMAL = (ROOT / "config" / "minimal.toml").read_text(encoding="utf-8")
PORT = "/dev/serial/by-id/usb-controller-if00"
MAIN = "from bridge.commands.main import main; main()"
CHANGED = "import os, signal; import bridge.config.loading as file; {change}; " + MAIN
PATIENCE_S = 30


Clearwell = Callable[..., "subprocess.Popen[str]"]


@pytest.fixture
def clearwell() -> Iterator[Clearwell]:
    """Starts a command in a session of its own; what still runs in the end is killed."""
    begun: list[subprocess.Popen[str]] = []

    def start(*words: str, code: str = MAIN) -> "subprocess.Popen[str]":
        one = subprocess.Popen(
            [sys.executable, "-c", code, *words],
            cwd=ROOT,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            start_new_session=True,
        )
        begun.append(one)
        return one

    yield start
    for one in begun:
        if one.poll() is None:
            one.kill()
            one.communicate()


@pytest.fixture
def line() -> Iterator[str]:
    """A serial line with nobody at its other end."""
    master, slave = pty.openpty()
    tty.setraw(slave)
    yield os.ttyname(slave)
    os.close(master)
    os.close(slave)


@pytest.fixture
def config(tmp_path: Path, line: str) -> Path:
    file = tmp_path / "clearwell.toml"
    assert PORT in MINIMAL
    hub = '[hub]\nhost = "localhost"\nport = 1\n'
    log = f'[log]\npath = "{tmp_path / "log.db"}"\n'
    file.write_text(f"{hub}{log}{MINIMAL.replace(PORT, line)}", encoding="utf-8")
    return file


def started(daemon: "subprocess.Popen[str]") -> list[str]:
    """What it says up to the line that it has started."""
    assert daemon.stderr is not None
    said = []
    for text in daemon.stderr:
        said.append(text)
        if '"event": "started"' in text:
            return said
    pytest.fail("".join(said))


def test_a_warning_is_logged(clearwell: Clearwell, config: Path) -> None:
    file = config.with_name("warned.toml")
    file.write_text(config.read_text().replace('host = "localhost"', 'host = "192.0.2.7"'))
    daemon = clearwell("run", "--config", str(file))
    said = started(daemon)
    assert any("nothing between here and 192.0.2.7 is encrypted" in text for text in said)


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("[log]", "[logg]"),
        ('host = "localhost"', 'host = "localhost"\npassword = "secret"'),
        ("[hub]", "[hub"),
        ("diameter_m = 0.58", "diameter_m = -0.58\ncolour = 'green'"),
    ],
)
def test_mistakes_are_told_as_by_a_check_and_end_with_the_same_status(
    clearwell: Clearwell, config: Path, old: str, new: str
) -> None:
    assert old in config.read_text()
    config.write_text(config.read_text().replace(old, new))
    run, check = clearwell("run", "--config", str(config)), clearwell("check", str(config))
    ran, checked = run.communicate(timeout=PATIENCE_S), check.communicate(timeout=PATIENCE_S)
    assert (run.returncode, ran) == (check.returncode, checked)
    assert run.returncode == 2
    assert "secret" not in ran[1].replace("secrets_dir", "")


def test_a_file_that_is_not_there_and_one_with_nothing_to_keep_are_told(
    clearwell: Clearwell, tmp_path: Path
) -> None:
    run = clearwell("run", "--config", str(tmp_path / "none.toml"))
    assert "there is no such file" in run.communicate(timeout=PATIENCE_S)[1]
    assert run.returncode == 2
    empty = tmp_path / "empty.toml"
    empty.write_text(
        "[purifier.pitcher.cartridge]\nkind = 'exchange'\ntreats = '45 us-gal'\ntreats_of = 95\n"
    )
    run = clearwell("run", "--config", str(empty))
    told = run.communicate(timeout=PATIENCE_S)[1]
    assert "there is no [reservoir.<id>] to keep filled" in told
    assert run.returncode == 2


def test_a_fault_of_the_program_shows_its_traceback(clearwell: Clearwell, config: Path) -> None:
    run = clearwell("run", "--config", str(config), code=CHANGED.format(change="file.read = None"))
    told = run.communicate(timeout=PATIENCE_S)[1]
    assert run.returncode == 1
    assert "'NoneType' object is not callable" in told


def test_an_interrupt_while_it_is_read_is_no_fault(clearwell: Clearwell, config: Path) -> None:
    code = CHANGED.format(change="file.read = lambda *_: os.killpg(0, signal.SIGINT)")
    run = clearwell("run", "--config", str(config), code=code)
    told = run.communicate(timeout=PATIENCE_S)[1]
    assert run.returncode == 130
    assert told.strip() == "clearwell: stopped"


def test_no_child_is_left_behind(clearwell: Clearwell, config: Path) -> None:
    daemon = clearwell("run", "--config", str(config))
    started(daemon)
    children = Path(f"/proc/{daemon.pid}/task/{daemon.pid}/children").read_text().split()
    assert children == []
