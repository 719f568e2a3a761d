import asyncio
import contextlib
import subprocess
from collections.abc import AsyncIterator
from pathlib import Path

import aiomqtt
import pytest

from tests.brokers import Mosquitto
from tests.strangers.stage import Hub, Stage

HERE = Path(__file__).parent


@pytest.fixture(scope="session")
def program(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The controller, built from its C."""
    built = tmp_path_factory.mktemp("strangers") / "controller"
    flags = ("-std=c11", "-O1", "-Wall", "-Wextra", "-Werror")
    sources = sorted(HERE.glob("*.c"))
    done = subprocess.run(
        ["gcc", *flags, *sources, "-o", built, "-lm"], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    return built


@pytest.fixture
async def stage(tmp_path: Path, mosquitto: Mosquitto, program: Path) -> AsyncIterator[Stage]:
    """A broker, and the strangers that the test sets up."""
    async with contextlib.AsyncExitStack() as stack:
        yield Stage(tmp_path, mosquitto, program, stack)


@pytest.fixture
async def hub(mosquitto: Mosquitto) -> AsyncIterator[Hub]:
    """An observer of the broker, as a hub is."""
    async with aiomqtt.Client(mosquitto.host, mosquitto.port) as client:
        await client.subscribe("#", qos=2)
        one = Hub(client)
        task = asyncio.create_task(one.listen())
        yield one
        task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await task
