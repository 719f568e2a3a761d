"""``clearwell watch`` beside a real daemon, a real serial line and a real broker."""

import asyncio
import json
import os
import pty
import signal
import sys
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import replace
from pathlib import Path

import pytest

from bridge.config.plan import LogPlan
from bridge.daemon.process import Daemon
from bridge.demo import BRIDGE_ID, HURRIED, RESERVOIR, bridge, station
from bridge.history.waiting import LogSettings
from bridge.mqtt.broker import MqttVersion
from bridge.rig.pty import RigServer
from bridge.rig.scenario import DEMO, DEMO_SPEED
from bridge.rig.world import World
from bridge.units import LITRES_PER_US_GALLON, DisplayUnits
from tests.brokers import Cable, Mosquitto, Observe, free_port
from tests.display.test_display_units import AMERICAN, MINIMAL
from tests.running import CLEARWELL, clearwell_process, run, started, succeeds
from tests.waiting import DEADLINE_S, within

ROOT = Path(__file__).parents[2]
DEVICE = f"homie/5/{BRIDGE_ID}-{RESERVOIR}"


@asynccontextmanager
async def running(tmp_path: Path, port: int, display: DisplayUnits) -> AsyncIterator[Daemon]:
    """A rig and a daemon with a log."""
    rig = RigServer(World(DEMO, seed=1), tmp_path / "controller", DEMO_SPEED)
    serving = asyncio.create_task(rig.run())
    await within(rig.ready.wait())
    one = station(DEMO, str(tmp_path / "controller"), HURRIED, 0.5, 0.55)
    plan = bridge(one, "127.0.0.1", port, MqttVersion.V5)
    kept = LogPlan(tmp_path / "clearwell.db", LogSettings())
    daemon = Daemon(replace(plan, display=display, log=kept))
    task = asyncio.create_task(daemon.run())
    try:
        await within(daemon.ready.wait())
        yield daemon
    finally:
        daemon.stop()
        await within(task)
        serving.cancel()
        await asyncio.gather(serving, return_exceptions=True)


def configured(tmp_path: Path, port: int, display: str) -> Path:
    """Returns a configuration with a hub and the given display table."""
    file = tmp_path / "clearwell.toml"
    rest = f'[hub]\nhost = "127.0.0.1"\nport = {port}\n[bridge]\nid = "{BRIDGE_ID}"\n[display]\n{display}'
    file.write_text(f"{MINIMAL}\n{rest}", encoding="utf-8")
    return file


async def clearwell(*arguments: str | Path) -> tuple[int, str, str]:
    done = await asyncio.to_thread(clearwell_process, *arguments, cwd=ROOT, environ={"COLUMNS": "80"})
    return done.status, done.stdout, done.stderr


def fills(*arguments: str) -> str:
    return succeeds("log", *arguments, "--kind", "fill")


class Screen:
    """A running ``clearwell watch`` and its output."""

    def __init__(self, *arguments: str | Path) -> None:
        self.running = started("watch", *arguments, cwd=ROOT, environ={"COLUMNS": "80"})

    async def until(self, part: str, told: str) -> None:
        """Reads until a condition holds. The failure names the text that a user would have missed."""
        await asyncio.to_thread(self.running.until, lambda new: part in " ".join(new.split()), told)

    async def interrupted(self) -> int:
        return await asyncio.to_thread(self.running.stop, signal.SIGINT)


@asynccontextmanager
async def watching(*arguments: str | Path) -> AsyncIterator[Screen]:
    screen = Screen(*arguments)
    try:
        yield screen
    finally:
        screen.running.kill()


AMERICANS = (
    'volume = "US gal"\ntemperature = "F"\nsolids = "uS/cm"\ncurrency = "USD"\nzone = "America/New_York"\n'
)


async def test_the_display_table_changes_the_display_and_not_the_published_or_logged_values(
    mosquitto: Mosquitto, observe: Observe, tmp_path: Path
) -> None:
    config = configured(tmp_path, mosquitto.port, AMERICANS)
    hub = await observe(mosquitto)
    async with running(tmp_path, mosquitto.port, AMERICAN):
        # A fill and its end.
        await hub.until(lambda me: me.kept.get(f"{DEVICE}/reservoir/zone") == "full", "it never was full")
        await hub.has(f"{DEVICE}/fill/phase", "idle")
        status, shown, error = await clearwell("watch", config, "--once")
        assert (status, error) == (0, "")
        hub_volume_l = float(hub.kept[f"{DEVICE}/reservoir/volume"])
        described = json.loads(hub.kept[f"{DEVICE}/$description"])["nodes"]
        plain = (await clearwell("watch", "--port", str(mosquitto.port), "--once"))[1]
    # Values for the hub have fixed units.
    assert described["reservoir"]["properties"]["volume"]["unit"] == "L"
    assert described["product"]["properties"]["temperature"]["unit"] == "°C"
    assert described["product"]["properties"]["ppm"]["unit"] == "ppm"
    assert 100.0 < hub_volume_l < 130.0
    assert 5.0 < float(hub.kept[f"{DEVICE}/product/temperature"]) < 25.0
    # The view shows the same values in the configured units.
    in_gallons = float(shown.split("] ")[1].split(" US gal of ")[0])
    assert in_gallons * LITRES_PER_US_GALLON == pytest.approx(hub_volume_l, rel=0.03)
    assert " of 53 US gal" in shown
    assert "°F, probe: good" in shown
    assert "µS/cm, scale: at 25 °C" in shown
    assert "Limit 100 µS/cm, target under 50 µS/cm" in shown
    assert " L of 201 L" in plain
    assert "°C, probe: good" in plain
    assert "Limit 50 ppm" in plain
    # The text of the log has the configured units; its records do not.
    file = str(tmp_path / "clearwell.db")
    kept = json.loads(fills("--log", file, "--json").splitlines()[0])
    as_recorded, told = fills("--log", file), fills("--config", str(config))
    assert 5.0 < kept["volume_l"] < 100.0
    assert f"{kept['volume_l']:.1f} L in" in as_recorded
    assert f"{kept['volume_l'] / LITRES_PER_US_GALLON:.1f} US gal in" in told
    assert kept["time"].endswith("Z")
    assert as_recorded.startswith(kept["time"][:19].replace("T", " "))
    assert told.splitlines()[0][19:25] in ("-04:00", "-05:00")


async def test_watch_survives_a_broker_failure_and_reports_it(
    mosquitto: Mosquitto, cable_to: Callable[[Mosquitto], "asyncio.Future[Cable]"], tmp_path: Path
) -> None:
    cable = await cable_to(mosquitto)
    async with (
        running(tmp_path, cable.port, DisplayUnits()),
        watching("--port", str(mosquitto.port)) as screen,
    ):
        await screen.until("permissive holds.", "no view was shown")
        await mosquitto.stop()
        await screen.until(f"localhost:{mosquitto.port} cannot be used", "nobody was told of the broker")
        await screen.until("Not known now.", "old values were shown as live")
        await mosquitto.start()
        await screen.until("Assumed: yes, with care.", "the view did not come back with the broker")
        cable.cut()
        await screen.until(
            "LOST: the bridge ended without a clean stop.", "a lost bridge was not called that"
        )
        assert await screen.interrupted() == 0
        assert "\x1b" not in screen.running.printed
        assert "Traceback" not in screen.running.printed
        assert max(map(len, screen.running.printed.splitlines())) <= 80
        lost = await clearwell("watch", "--port", str(mosquitto.port), "--once")
        assert lost[0] == 0
        assert "LOST" in lost[1]
        status, _, error = await clearwell(
            "watch", "--port", str(mosquitto.port), "--once", "--reservoir", "tub"
        )
        assert status == 2
        assert (
            f"There is no reservoir 'tub' on localhost:{mosquitto.port} under homie/5; there are: " in error
        )


async def test_on_a_terminal_the_view_is_drawn_in_place_and_the_cursor_is_restored(
    mosquitto: Mosquitto, tmp_path: Path
) -> None:
    primary, secondary = pty.openpty()
    process = await asyncio.create_subprocess_exec(
        *CLEARWELL, "watch", "--port", str(mosquitto.port), cwd=ROOT, stdout=secondary,
        env={**os.environ, "TERM": "xterm", "COLUMNS": "80", "LINES": "10"},
    )  # fmt: skip
    os.close(secondary)
    shown = b""
    async with asyncio.timeout(DEADLINE_S):
        while b"There is no bridge on" not in shown:
            shown += await asyncio.to_thread(os.read, primary, 4096)
        process.send_signal(signal.SIGTERM)
        assert await process.wait() == 0
    shown += os.read(primary, 4096)
    os.close(primary)
    assert shown.startswith(b"\x1b[?25l\x1b[2J\x1b[H")
    assert shown.rstrip().endswith(b"\x1b[?25h")


async def test_without_a_bridge_once_ends_with_one_clear_sentence(mosquitto: Mosquitto) -> None:
    nobody = await clearwell("watch", "--port", str(mosquitto.port), "--once", "--wait", "0.5")
    assert nobody == (
        1,
        "",
        f"clearwell: There is no bridge on localhost:{mosquitto.port} under homie/5. Check that it runs, and "
        "that the broker's access rules let this user read there.\n",
    )
    away = free_port()
    status, shown, error = await clearwell("watch", "--port", str(away), "--once")
    assert (status, shown) == (1, "")
    assert error.startswith(f"clearwell: The broker at localhost:{away} cannot be used: nothing listens")


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("--prefix", "a/b"), "is not one level of a topic"),
        ((ROOT / "config" / "minimal.toml",), "there is no table [hub]"),
        (("missing.toml",), "there is no such file"),
    ],
)
async def test_a_configuration_that_cannot_be_watched_is_refused(
    arguments: tuple[str | Path, ...], said: str
) -> None:
    status, _, error = await clearwell("watch", *arguments, "--once")
    assert status == 2
    assert said in error


def test_its_import_loads_no_heavy_module() -> None:
    asked = "import bridge.commands.watch, sys; print(*sys.modules)"
    loaded = run(sys.executable, "-c", asked, cwd=ROOT)
    assert loaded.status == 0, loaded.stderr
    assert not {"asyncio", "aiomqtt", "pydantic", "numpy", "rich"} & set(loaded.stdout.split())
