"""A daemon in a process of its own, for tests of access and secrets."""

import json
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from tests.mqtt.test_access import certificates
from tests.running import Running

__all__ = ["certificates"]

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


def sentence(program: Running, event: str) -> str:
    """Returns the sentence of the first line with this event."""
    return str(json.loads(program.has_printed(f'"event": "{event}"'))["sentence"])


Start = Callable[..., Running]


@pytest.fixture
def configured(tmp_path: Path) -> Callable[..., Path]:
    """Writes a configuration: ``configured(port, hub="...", top="...")``."""

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
    """A broker's password file with the one account ``clearwell``."""
    file = tmp_path / "passwords"
    make = ("mosquitto_passwd", "-b", "-c", str(file), "clearwell", PASSWORD)
    subprocess.run(make, check=True, capture_output=True)
    return file


@pytest.fixture
def secrets(tmp_path: Path) -> Callable[[str, str], str]:
    """Writes user name and password to files. Returns the line of the configuration with their directory."""

    def write(username: str, password: str) -> str:
        folder = tmp_path / "secrets"
        folder.mkdir(mode=0o700, exist_ok=True)
        (folder / "hub_username").write_text(f"{username}\n")
        (folder / "hub_password").write_text(f"{password}\n")
        return 'secrets_dir = "secrets"'

    return write


@pytest.fixture
def start() -> Iterator[Start]:
    """Starts ``python -m bridge ...``, or ``python ...`` with ``module=False``; the test's end stops it.

    ``under`` is another program that starts the command.
    """
    all_: list[Running] = []

    def begin(
        *arguments: object, module: bool = True, under: tuple[str, ...] = (), **environ: str
    ) -> Running:
        ours = (sys.executable, *(("-m", "bridge") if module else ()))
        all_.append(Running(*under, *ours, *arguments, environ=environ))
        return all_[-1]

    yield begin
    for one in all_:
        one.kill()
