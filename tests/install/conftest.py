"""Fixtures for the tests of a whole installation."""

import os
import pickle
import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from tests.board import Board
from tests.security.conftest import Start, start

__all__ = ["start"]

ROOT = Path(__file__).parents[2]
NOBODY = 65534
CONFIG = """
[bridge]
id = "polytunnel"
{hub}
[log]
path = "{log}"
[reservoir.barrel]
port = "{port}"
shape = {{ kind = "upright-cylinder", diameter_m = 0.58, height_m = 0.76 }}
[reservoir.barrel.level]
overflow_float = true
[reservoir.barrel.level.sensor]
table = [[0.05, 0.04], [0.95, 0.74]]
[reservoir.barrel.product]
cell_constant_per_cm = 0.1
"""


@pytest.fixture
def configured(tmp_path: Path) -> Callable[..., Path]:
    """Writes a configuration: ``configured(port="...", hub="...")``."""

    def write(*, port: object = "", hub: str = "", log: object = "clearwell.db") -> Path:
        file = tmp_path / "clearwell.toml"
        file.write_text(CONFIG.format(port=port or tmp_path / "no-controller", hub=hub, log=log))
        return file

    return write


@pytest.fixture
def board() -> Iterator[Board]:
    one = Board()
    yield one
    one.close()


@pytest.fixture
def rig(start: Start, tmp_path: Path) -> Path:
    """A simulated controller on its own serial line."""
    line = tmp_path / "controller"
    start("rig", "--pty", line, "--speed", "10").has_printed("")
    return line


@pytest.fixture
def accounts(tmp_path: Path) -> Callable[..., str]:
    """Settings of a mosquitto with the one account ``clearwell``: ``accounts(password, *rules)``."""

    def make(password: str, *rules: str) -> tuple[str, ...]:
        passwords, acl = tmp_path / "passwords", tmp_path / "acl"
        told = ("mosquitto_passwd", "-b", "-c", str(passwords), "clearwell", password)
        subprocess.run(told, check=True, capture_output=True)
        acl.write_text("\n".join(("user clearwell", *rules)) + "\n")
        return ("allow_anonymous false", f"password_file {passwords}", f"acl_file {acl}")

    return make  # type: ignore[return-value]


def as_somebody_else(look: Callable[[], object]) -> object:
    """Calls ``look`` as a user without rights. Only root can do this."""
    reader, writer = os.pipe()
    child = os.fork()
    if child == 0:
        status = 1
        try:
            os.setgroups([])
            os.setgid(NOBODY)
            os.setuid(NOBODY)
            os.write(writer, pickle.dumps(look()))
            status = 0
        finally:
            os._exit(status)
    os.close(writer)
    with os.fdopen(reader, "rb") as pipe:
        seen = pipe.read()
    assert os.waitpid(child, 0)[1] == 0
    return pickle.loads(seen)
