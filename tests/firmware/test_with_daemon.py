"""The board's program and the daemon, connected by a serial line."""

import asyncio
import signal
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from tests.brokers import Mosquitto, Observe, Observer
from tests.firmware.cable import SerialCable
from tests.firmware.emulator import Build, Emulator
from tests.running import started

pytestmark = pytest.mark.slow


LEASE_S = 2
DEVICE = "homie/5/bog-barrel"

CONFIG = """
[bridge]
id = "bog"
{hub}
[log]
enabled = false
[reservoir.barrel]
port = "{port}"
shape = {{ kind = "upright-cylinder", diameter_m = 0.58, height_m = 0.76 }}
assumed_ppm = 6
[reservoir.barrel.level]
low_switch = true
full_switch = true
low_switch_fraction = 0.20
refill_fraction = 0.60
fill_fraction = 0.90
wave_time_constant_s = 0.2
overflow_return_s = 0.5
[reservoir.barrel.level.sensor]
table = [[0.05, 0.04], [0.95, 0.74]]
[reservoir.barrel.product]
cell_constant_per_cm = 1.0
[reservoir.barrel.feed]
cell_constant_per_cm = 1.0
[reservoir.barrel.purifier]
drain_valve = true
[reservoir.barrel.guard]
lease_s = {lease}
rinse_min_s = 0.5
in_spec_s = 0.4
"""


def configured(folder: Path, port: str, broker_port: int | None = None) -> Path:
    hub = "" if broker_port is None else f'[hub]\nhost = "127.0.0.1"\nport = {broker_port}'
    file = folder / "clearwell.toml"
    file.write_text(CONFIG.format(hub=hub, port=port, lease=LEASE_S))
    return file


@pytest.fixture
def paced(build: Build) -> Iterator[Emulator]:
    """A board that runs at the pace of the wall clock; its barrel is half full."""
    with Emulator(build, paced=True) as board:
        board.set_conductance(20.0)
        board.set_feed_conductance(2000.0)
        board.set_temperature(25.0)
        board.set_level(0.5)
        yield board


async def sees(board: Emulator, condition: Callable[[], bool], told: str) -> None:
    assert await asyncio.to_thread(board.wait_for, condition), told


def never_both(board: Emulator) -> bool:
    changes = sorted([(c.at_us, 0, c.open) for c in board.valve_changes] +
                     [(c.at_us, 1, c.open) for c in board.drain_changes])  # fmt: skip
    state = [False, False]
    for _, pin, is_open in changes:
        state[pin] = is_open
        if all(state):
            return False
    return True


async def shows(hub: Observer, path: str, value: float, share: float = 0.0, within: float = 0.0) -> None:
    def right(seen: Observer) -> bool:
        shown = seen.kept.get(f"{DEVICE}/{path}")
        return shown is not None and abs(float(shown) - value) <= share * value + within

    await hub.until(right, f"the hub never showed {value:g} for {path}")


async def test_fill_trip_rinse_and_reset_with_the_built_board(
    paced: Emulator, mosquitto: Mosquitto, observe: Observe, tmp_path: Path
) -> None:
    board = paced
    hub = await observe(mosquitto)

    async def has(path: str, payload: str, told: str) -> None:
        await hub.until(lambda seen: seen.kept.get(f"{DEVICE}/{path}") == payload, told)

    with started("run", "--config", configured(tmp_path, board.pty, mosquitto.port)):
        await sees(board, lambda: board.drain, "no rinse to the drain before the fill")
        assert not board.valve
        await sees(board, lambda: board.valve, "the rinse was over, and no water came to the reservoir")
        await has("valve/reported", "fill", "the hub does not see the valve open")

        board.set_conductance(250.0)
        await sees(board, lambda: not board.valve, "water over the limit, and the valve stayed open")
        await has("health/trips", '["product-over-limit"]', "the hub does not see the trip")
        board.set_conductance(20.0)
        opened = len(board.valve_changes), len(board.drain_changes)
        await hub.sends(f"{DEVICE}/health/reset/set", "all")
        await hub.said(f"{DEVICE}/$log/warn", "first record a cartridge change")
        assert (len(board.valve_changes), len(board.drain_changes)) == opened

        await hub.sends(f"{DEVICE}/purifier/cartridge-changed/set", "changed")
        await hub.sends(f"{DEVICE}/health/reset/set", "product-over-limit")
        await has("health/trips", "[]", "the trip stayed after the change of the cartridge and the reset")
        await sees(board, lambda: len(board.drain_changes) > opened[1], "no rinse after the reset")
        await sees(board, lambda: board.valve, "no fill after the reset")

        board.set_level(0.93)
        board.full(True)
        await has("reservoir/zone", "full", "the reservoir never got full for the hub")
        await sees(board, lambda: not board.valve, "the fill did not end at its mark")
        await has("fill/phase", "idle", "a full reservoir, and no rest")
        for us in (1.0, 10.0, 100.0, 1000.0):
            board.set_conductance(us)
            await shows(hub, "product/conductivity", us, share=0.02)
        board.set_conductance(20.0)
        for celsius in (5.0, 15.0, 35.0):
            board.set_temperature(celsius)
            await shows(hub, "product/temperature", celsius, within=0.3)
        # A port opened in the middle of a frame counts one incomplete frame. More would mean a bad line.
        damaged = next((text for topic, text in hub.kept.items() if topic.endswith("/frames-damaged")), "")
        assert damaged in ("0", "1", "2"), f"{damaged} frames were damaged on a good line"
        assert not any(topic.endswith("/$alert/frames-damaged") for topic in hub.kept)
    assert never_both(board), "both valves were driven at once"


async def test_overflow_float_is_a_trip_on_the_hub(
    paced: Emulator, mosquitto: Mosquitto, observe: Observe, tmp_path: Path
) -> None:
    board = paced
    hub = await observe(mosquitto)
    with started("run", "--config", configured(tmp_path, board.pty, mosquitto.port)):
        await sees(board, lambda: board.valve, "no fill began")
        board.overflow(True)
        risen_us = board.now_us
        await sees(board, lambda: not board.valve, "the overflow float is up and the valve stayed open")
        assert board.valve_changes[-1].at_us - risen_us <= 50_000
        await hub.has(f"{DEVICE}/reservoir/overflow", "true")
        await hub.has(f"{DEVICE}/health/trips", '["overflow"]')


@pytest.mark.parametrize("how", ["killed", "cable cut"])
async def test_valve_pin_is_shut_within_the_lease_after_a_kill_or_a_cut_cable(
    paced: Emulator, tmp_path: Path, how: str
) -> None:
    """Measured by the board's clock, from the end of the last line to the fall of the pin."""
    board = paced
    with SerialCable(board.pty, tmp_path / "controller") as cable:
        with started("run", "--config", configured(tmp_path, str(cable.path))) as bridge:
            await sees(board, lambda: board.valve, "no fill began")
            opened = len(board.valve_changes)
            heard = len(board.line_ends_us)
            await sees(board, lambda: len(board.line_ends_us) > heard, "the lease was not renewed")
            if how == "killed":
                bridge.send_signal(signal.SIGKILL)
            else:
                cable.cut()
            await sees(board, lambda: not board.valve, f"the bridge was {how}, and the valve stayed open")
        assert len(board.valve_changes) == opened + 1
        held_us = board.valve_changes[-1].at_us - board.line_ends_us[-1]
        assert held_us <= LEASE_S * 1_000_000, f"the valve stayed open for {held_us} µs"
        assert held_us >= LEASE_S * 1_000_000 - 20_000, "something else than the lease shut the valve"
