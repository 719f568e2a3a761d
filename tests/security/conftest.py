"""A daemon of its own process for tests of who is let in and what is kept secret."""

import contextlib
import json
import os
import select
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from tests.mqtt.test_access import certificates

__all__ = ["certificates"]

PATIENCE_S = 20.0
PASSWORD = "velvet-badger-77"
CONFIG = """
{top}
[bridge]
id = "polytunnel"
[hub]
host = "{host}"
port = {port}
version = "{version}"
{hub}
[log]
enabled = false
[reservoir.barrel]
port = "{serial}"
shape = {{ kind = "upright-cylinder", diameter_m = 0.58, height_m = 0.76 }}
[reservoir.barrel.level]
overflow_float = true
[reservoir.barrel.level.sensor]
table = [[0.05, 0.04], [0.95, 0.74]]
[reservoir.barrel.product]
cell_constant_per_cm = 0.1
"""


@dataclass
class Running:
    """A program of ours in a process of its own, and everything it has said on either stream."""

    process: "subprocess.Popen[bytes]"
    said: str = ""

    def until(self, part: str) -> None:
        """Read on until something was said, to the end of its line."""
        give_up = time.monotonic() + PATIENCE_S
        assert self.process.stdout is not None
        while part not in self.said or not self.said.endswith("\n"):
            left_s = max(0.0, give_up - time.monotonic())
            ready, _, _ = select.select([self.process.stdout], [], [], left_s)
            piece = os.read(self.process.stdout.fileno(), 65536) if ready else b""
            assert piece, f"{part!r} was not said, only:\n{self.said}"
            self.said += piece.decode(errors="replace")

    def command_line(self) -> str:
        """What everybody on the machine sees of it."""
        return Path(f"/proc/{self.process.pid}/cmdline").read_text()

    def ended(self) -> str:
        """Everything it said, once it has been told to stop and has."""
        self.process.terminate()
        rest, _ = self.process.communicate(timeout=PATIENCE_S)
        self.said += rest.decode(errors="replace")
        return self.said

    def sentence(self, event: str) -> str:
        """The sentence of the last line with this event."""
        self.until(f'"event": "{event}"')
        lines = [json.loads(line) for line in self.said.splitlines() if f'"event": "{event}"' in line]
        return str(lines[-1]["sentence"])


Start = Callable[..., Running]


@pytest.fixture
def configured(tmp_path: Path) -> Callable[..., Path]:
    """Write a configuration: ``configured(port, hub="...", top="...")``."""

    def write(
        port: int, *, host: str = "localhost", version: str = "5", hub: str = "", top: str = ""
    ) -> Path:
        file = tmp_path / "clearwell.toml"
        serial = tmp_path / "no-controller"
        file.write_text(CONFIG.format(port=port, host=host, version=version, hub=hub, top=top, serial=serial))
        return file

    return write


@pytest.fixture
def passwords(tmp_path: Path) -> Path:
    """A broker's file with the one account ``clearwell``."""
    file = tmp_path / "passwords"
    make = ("mosquitto_passwd", "-b", "-c", str(file), "clearwell", PASSWORD)
    subprocess.run(make, check=True, capture_output=True)
    return file


@pytest.fixture
def secrets(tmp_path: Path) -> Callable[[str, str], str]:
    """Put user name and password into files; the line of the configuration that names their directory."""

    def write(username: str, password: str) -> str:
        folder = tmp_path / "secrets"
        folder.mkdir(mode=0o700, exist_ok=True)
        (folder / "hub_username").write_text(f"{username}\n")
        (folder / "hub_password").write_text(f"{password}\n")
        return 'secrets_dir = "secrets"'

    return write


@pytest.fixture
def start() -> Iterator[Start]:
    """Start ``python -m bridge ...``, or ``python ...`` with ``module=False``, or either of them ``under``
    another program; it ends with the test."""
    all_: list[Running] = []

    def begin(
        *arguments: object, module: bool = True, under: tuple[str, ...] = (), **environ: str
    ) -> Running:
        process = subprocess.Popen(
            [*under, sys.executable, *(("-m", "bridge") if module else ()), *map(str, arguments)],
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            env={**os.environ, **environ},
            start_new_session=True,
        )
        all_.append(Running(process))
        return all_[-1]

    yield begin
    for one in all_:
        # The whole group: a program that watches another one leaves it running when it is killed.
        with contextlib.suppress(ProcessLookupError):
            os.killpg(one.process.pid, signal.SIGKILL)
        one.process.communicate()
