"""The daemon fills over a Modbus line, and refuses a plain relay without the owner's consent."""

from pathlib import Path
from signal import SIGTERM

import pytest

from bridge.config.loading import load, read
from bridge.errors import InputError
from tests.running import started
from tests.transport.modbus_line import DEVICE, Devices, serving
from tests.transport.null_modem import NullModem

CONFIG = """
[log]
enabled = false
[reservoir.barrel]
port = "{port}"
baud = 9600
shape = {{ kind = "upright-cylinder", diameter_m = 0.58, height_m = 0.76 }}
product = {{ cell_constant_per_cm = 1.0 }}
[reservoir.barrel.level]
full_switch = true
wave_time_constant_s = 0.2
overflow_return_s = 0.5
sensor = {{ table = [[0.0, 0.0], [1.0, 0.76]], plausible_low = 0.0, plausible_high = 1.0 }}
[reservoir.barrel.guard]
lease_s = 2
rinse_min_s = 0.5
in_spec_s = 0.4
[reservoir.barrel.modbus]
poll_s = 0.1
timeout_s = 0.5
conductivity = {{ device = {device}, function = "input", address = 0, type = "float32" }}
temperature = {{ device = {device}, function = "input", address = 2, type = "int16", scale = 0.1 }}
full_switch = {{ device = {device}, address = 0 }}
overflow_float = {{ device = {device}, address = 1 }}
valve = {{ device = {device}, coil = 0{valve} }}
[reservoir.barrel.modbus.level]
device = {device}
function = "holding"
address = 4
type = "uint16"
scale = 0.001
at_one = 0.76
"""
LIMITED = ", time_limit_register = 16, time_limit_step_s = 0.1"
PLAIN = ", relay_without_time_limit = true"


def configured(folder: Path, port: str, valve: str) -> Path:
    file = folder / "clearwell.toml"
    file.write_text(CONFIG.format(port=port, device=DEVICE, valve=valve))
    return file


@pytest.mark.parametrize("how", ["over the limit", "overflow", "terminated", "killed"])
async def test_a_fill_over_modbus_ends(tmp_path: Path, how: str) -> None:
    """After a kill, the time limit of the module shuts the valve."""
    devices = Devices(conductivity_us_cm=20.0, level_m=0.3)
    with NullModem() as cable:
        config = configured(tmp_path, cable.near, LIMITED)
        async with serving(cable.far, devices):
            with started("run", "--config", config) as bridge:
                await devices.until(lambda d: d.relays[0], "no fill began")
                # The rinse comes first. Without a drain, its water also flows to the reservoir.
                await devices.until(
                    lambda d: d.relays[0] and d.heard[-1][0] > d.changes[0][0] + 2.0,
                    "the line fell silent, or the valve did not stay open",
                )
                match how:
                    case "over the limit":
                        devices.conductivity_us_cm = 250.0
                    case "overflow":
                        devices.overflow = True
                    case "terminated":
                        bridge.send_signal(SIGTERM)
                    case "killed":
                        bridge.kill()
                await devices.until(lambda d: not d.relays[0], f"{how}, and the valve stayed open")
                if how == "killed":
                    last = max(at for at, function, _ in devices.heard if function == 6)
                    assert devices.changes[-1][0] - last <= 2.0 + 1.0
                elif how == "terminated":
                    assert devices.heard[-1][1] == 5, "the last word was not the switching off"


def test_a_plain_relay_must_be_accepted_in_so_many_words(tmp_path: Path) -> None:
    with pytest.raises(InputError) as refused:
        load(configured(tmp_path, "/dev/nothing", ""), {})
    assert "reservoir.barrel.modbus.valve.relay_without_time_limit" in str(refused.value)
    assert "nothing shuts the valve but the overflow float" in str(refused.value)
    plain = read(configured(tmp_path, "/dev/nothing", PLAIN), {})
    assert any("nothing shuts the valve but the overflow float" in warning for warning in plain.warnings)
    limited = read(configured(tmp_path, "/dev/nothing", LIMITED), {})
    assert not any("nothing shuts the valve but" in warning for warning in limited.warnings)


def test_the_line_must_have_what_the_other_tables_say_is_fitted(tmp_path: Path) -> None:
    file = configured(tmp_path, "/dev/nothing", LIMITED)
    file.write_text(file.read_text().replace("full_switch = true", "low_switch = true"))
    with pytest.raises(InputError) as refused:
        load(file, {})
    lines = str(refused.value).splitlines()
    assert any("reservoir.barrel.modbus.low_switch" in line and "add the table" in line for line in lines)
    assert any("reservoir.barrel.modbus.full_switch" in line and "remove it" in line for line in lines)
