"""Fixtures for all tests: real brokers, and the handling of programs that are not installed.

``broker`` runs each test that uses it twice: on the embedded broker (``amqtt``, MQTT 3.1.1) and on
``mosquitto`` (MQTT 3.1.1 and 5), if it is installed. A test marked ``needs("package")`` is skipped if that
Debian package is missing, and the header names the package. In CI a missing package is an error.
"""

import asyncio
import contextlib
import os
import shutil
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import aiomqtt
import pytest
from hypothesis import is_hypothesis_test, settings

from tests.brokers import AnyBroker, Cable, Embedded, LayCable, Mosquitto, Observe, Observer

# The duration of an example means nothing on a shared machine.
# CI repeats the same examples, so that no chance decides there. Without CI each run searches for new ones.
settings.register_profile("shared", deadline=None, derandomize=bool(os.environ.get("CI")))
settings.register_profile("search", deadline=None, derandomize=False, max_examples=1000, print_blob=True)
ROUNDS = int(os.environ.get("CLEARWELL_ROUNDS", "0"))
"""How often a search runs each random test, with new examples in each round. 0: no search, all tests once."""
settings.load_profile("search" if ROUNDS else "shared")

PACKAGES = {
    "mosquitto": ("mosquitto", "mosquitto_passwd"),
    "postgresql": ("/usr/lib/postgresql",),
    "systemd": ("systemd-analyze",),
    "strace": ("strace",),
    "zsh": ("zsh",),
    "fish": ("fish",),
    "openssl": ("openssl",),
    "udev": ("udevadm",),
    "chromium": ("chromium",),
    "nodejs": ("node", "npm"),
    "libpangoft2-1.0-0": ("/usr/share/doc/libpangoft2-1.0-0",),
    "make": ("make",),
    "gcc": ("gcc",),
    "gcc-avr": ("avr-gcc",),
    "binutils-avr": ("avr-size",),
    "avr-libc": ("/usr/lib/avr/include/avr/io.h",),
    "libsimavr-dev": ("/usr/include/simavr/sim_avr.h",),
}
"""Debian's packages that tests need, each with the programs, or a file, by which it is known."""
FIRMWARE = frozenset({"make", "gcc", "gcc-avr", "binutils-avr", "avr-libc", "libsimavr-dev"})


def _there(name: str) -> bool:
    if name.startswith("/"):
        return Path(name).exists()
    return shutil.which(name, path=f"{os.environ.get('PATH', '')}:/usr/sbin:/usr/local/sbin") is not None


MISSING = frozenset(package for package, parts in PACKAGES.items() if not all(map(_there, parts)))


def pytest_configure(config: pytest.Config) -> None:
    config.addinivalue_line(
        "markers", "needs(*packages): left out where one of these Debian packages is missing"
    )
    if MISSING and os.environ.get("CI"):
        raise pytest.UsageError(f"CI runs every test, and these packages are missing: {sorted(MISSING)}")


def pytest_report_header() -> str:
    if not MISSING:
        return "every test runs"
    return f"left out are the tests that need these Debian packages: {' '.join(sorted(MISSING))}"


def _needed(item: pytest.Item) -> set[str]:
    packages = {name for mark in item.iter_markers("needs") for name in mark.args}
    if "mosquitto" in getattr(item, "fixturenames", ()):
        packages.add("mosquitto")
    if item.path.parent.name == "firmware":
        packages |= FIRMWARE
    return packages


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    left_out = [item for item in items if _needed(item) & MISSING]
    if left_out:
        config.hook.pytest_deselected(items=left_out)
        items[:] = [item for item in items if item not in left_out]
    if ROUNDS:
        searching = [item for item in items if is_hypothesis_test(getattr(item, "obj", None))]
        config.hook.pytest_deselected(items=[item for item in items if item not in searching])
        items[:] = searching * ROUNDS


@pytest.fixture(params=["embedded", *({"mosquitto"} - MISSING)])
async def broker(request: pytest.FixtureRequest, tmp_path: Path) -> AsyncIterator[AnyBroker]:
    """A running broker."""
    one: AnyBroker = Embedded() if request.param == "embedded" else Mosquitto(tmp_path)
    await one.start()
    yield one
    await one.stop()


@pytest.fixture
async def mosquitto(tmp_path: Path) -> AsyncIterator[Mosquitto]:
    """A running mosquitto, for features of MQTT 5."""
    one = Mosquitto(tmp_path)
    await one.start()
    yield one
    await one.stop()


@pytest.fixture
async def observe() -> AsyncIterator[Observe]:
    """Starts an observer on a broker: ``await observe(broker)``."""
    async with contextlib.AsyncExitStack() as stack:

        async def start(where: AnyBroker, **options: Any) -> Observer:
            client = await stack.enter_async_context(aiomqtt.Client(where.host, where.port, **options))
            await client.subscribe("#", qos=2)
            observer = Observer(client)
            task = asyncio.create_task(observer.listen())

            async def end() -> None:
                task.cancel()
                with contextlib.suppress(asyncio.CancelledError, aiomqtt.MqttError):
                    await task

            stack.push_async_callback(end)
            return observer

        # A broker that the test has stopped accepts no disconnect packet.
        with contextlib.suppress(aiomqtt.MqttError):
            yield start


@pytest.fixture
async def cable_to() -> AsyncIterator[LayCable]:
    """Puts a broker behind a cable: ``await cable_to(broker)``."""
    laid: list[Cable] = []

    async def lay(where: AnyBroker) -> Cable:
        laid.append(Cable(where))
        await laid[-1].lay()
        return laid[-1]

    yield lay
    for one in laid:
        one.cut()
