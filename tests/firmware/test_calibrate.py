"""``clearwell calibrate`` with the built board, on a real line and a real log."""

import math
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest

from bridge.config.loading import load, read
from bridge.history.reader import Reader
from bridge.history.records import CalibrationRow, Kind
from bridge.water.calibration import PLACE_K
from bridge.water.standards import BOTTLED_84, BOTTLED_1413, value_us_cm
from tests.firmware.emulator import Build, Emulator
from tests.narrowing import every, of_kind
from tests.running import clearwell_process, started

CONFIG = """
[reservoir.barrel]
port = "{port}"
shape = {{ kind = "upright-cylinder", diameter_m = 0.58, height_m = 0.76 }}
level = {{ low_switch = true, full_switch = true }}
product = {{ cell_constant_per_cm = 1.0 }}
feed = {{ cell_constant_per_cm = 1.0 }}
"""


def configured(folder: Path, port: str) -> Path:
    file = folder / "clearwell.toml"
    file.write_text(CONFIG.format(port=port))
    return file


def calibrations(folder: Path) -> list[CalibrationRow]:
    with Reader(folder / "clearwell.db") as reader:
        start, end = reader.span_ms()
        return every(CalibrationRow, reader.events(start, end + 1, kinds=(Kind.CALIBRATION,)))


def kept(folder: Path) -> list[dict[str, object]]:
    return of_kind(list, tomllib.loads((folder / "clearwell-calibration.toml").read_text())["calibration"])


@pytest.fixture
def paced(build: Build) -> Iterator[Emulator]:
    with Emulator(build, paced=True) as board:
        yield board


def test_cell_in_a_standard_gets_its_constant_and_the_daemon_reads_it(
    paced: Emulator, tmp_path: Path
) -> None:
    true_per_cm, celsius = 0.97, 21.0
    paced.set_temperature(celsius)
    paced.set_conductance(value_us_cm(BOTTLED_84, celsius) / true_per_cm)
    config = configured(tmp_path, paced.pty)
    done = clearwell_process(
        "calibrate",
        "--config",
        str(config),
        "--standard",
        "84",
        "--steady-for",
        "3",
        "--yes",
        "--give-up",
        "30",
    )
    assert done.status == 0, done.stderr + done.stdout
    assert not any(change.open for change in paced.valve_changes)
    probe = load(config, {}).stations[0].product
    assert probe.chain.cell.constant_per_cm == pytest.approx(true_per_cm, rel=0.02)
    assert probe.calibration is not None
    # The thermometer is that of the readings, so its error is in the change for each kelvin.
    used = probe.chain.uncertainties
    others = used.cell_constant_percent**2 - (PLACE_K * used.calibration_percent_per_k) ** 2
    whole = others + (used.temperature_k * used.calibration_percent_per_k) ** 2
    assert probe.calibration.cell_constant_percent == pytest.approx(math.sqrt(whole), rel=1e-3)
    assert 0.5 < probe.calibration.cell_constant_percent < 2.0
    (row,) = calibrations(tmp_path)
    assert row.cell_constant_per_cm == pytest.approx(probe.chain.cell.constant_per_cm, rel=1e-4)
    assert row.temperature_c == pytest.approx(celsius, abs=0.3)
    assert row.uncertainty_percent == pytest.approx(2 * probe.calibration.cell_constant_percent, rel=0.01)
    told = clearwell_process("check", str(config)).stdout
    assert "that of the calibration of" in " ".join(told.split())


def test_guided_session_with_two_solutions_gives_the_offset_too(paced: Emulator, tmp_path: Path) -> None:
    true_per_cm, offset_us = 1.06, 3.0
    paced.set_temperature(25.0)
    paced.set_conductance(84.0 / true_per_cm + offset_us)
    config = configured(tmp_path, paced.pty)
    with started("calibrate", "--config", config, "--steady-for", 3) as session:
        session.send("84\n\n")
        session.prints("Settled at")
        paced.set_conductance(1413.0 / true_per_cm + offset_us)
        session.send("y\n1413\n\ny\n")
        assert session.ended() == 0, session.printed
    cell = load(config, {}).stations[0].product.chain.cell
    assert cell.constant_per_cm == pytest.approx(true_per_cm, rel=0.02)
    assert cell.offset_us == pytest.approx(offset_us, abs=1.5)
    assert "Drift" in session.printed
    (entry,) = kept(tmp_path)
    assert entry["standard"] == "84+1413"
    assert entry["before_cell_constant_per_cm"] == 1.0


def test_calibration_by_hand_needs_no_controller_and_keeps_the_old_values(tmp_path: Path) -> None:
    config = configured(tmp_path, str(tmp_path / "nothing"))
    us = value_us_cm(BOTTLED_1413, 21.0) / 1.02
    words = ("calibrate", "--config", str(config), "--standard", "1413", "--temperature", "21")
    first = clearwell_process(*words, "--conductance", f"{us}")
    assert first.status == 0, first.stderr
    assert "+2.00 %" in first.stdout
    second = clearwell_process(*words, "--conductance", f"{us * 0.99}")
    assert second.status == 0, second.stderr
    assert "within the uncertainties" in second.stdout
    assert [entry["before_cell_constant_per_cm"] for entry in kept(tmp_path)] == pytest.approx([1.0, 1.02])
    assert load(config, {}).stations[0].product.chain.cell.constant_per_cm == pytest.approx(
        1.02 / 0.99, rel=1e-4
    )
    assert len(calibrations(tmp_path)) == 2

    far = clearwell_process(*words, "--conductance", f"{us / 10.0}")
    assert far.status == 2
    assert "--new-cell" in far.stderr
    assert len(kept(tmp_path)) == 2

    feed = clearwell_process(*words, "--conductance", f"{us / 10.0}", "--cell", "feed", "--new-cell")
    assert feed.status == 0, feed.stderr
    station = load(config, {}).stations[0]
    assert station.feed is not None
    assert station.feed.chain.cell.constant_per_cm == pytest.approx(10.2, rel=1e-4)

    line = "product = { cell_constant_per_cm = "
    config.write_text(config.read_text().replace(f"{line}1.0", f"{line}0.1"))
    assert any("has changed since" in warning for warning in read(config, {}).warnings)
    over = {"CLEARWELL_RESERVOIR__BARREL__PRODUCT__CELL_CONSTANT_PER_CM": "0.5"}
    product = load(config, over).stations[0].product
    assert (product.chain.cell.constant_per_cm, product.calibration) == (0.5, None)


def test_port_of_a_running_daemon_is_reported(paced: Emulator, tmp_path: Path) -> None:
    config = configured(tmp_path, paced.pty)
    with started("run", "--config", config) as daemon:
        daemon.has_printed("link-up")
        for more in ((), ("--conductance", "80", "--temperature", "25")):
            done = clearwell_process("calibrate", "--config", config, "--standard", "84", "--yes", *more)
            assert done.status == 1
            assert "Another program uses" in done.stderr
            assert "systemctl stop clearwell" in done.stderr


def test_wrong_solution_for_the_cell_is_reported_with_its_expected_reading(
    paced: Emulator, tmp_path: Path
) -> None:
    paced.set_conductance(12_800.0)
    config = configured(tmp_path, paced.pty)
    done = clearwell_process(
        "calibrate",
        "--config",
        str(config),
        "--standard",
        "kcl-0.1",
        "--yes",
        "--give-up",
        "6",
        "--steady-for",
        "2",
    )
    assert done.status == 1
    assert "use a weaker standard" in done.stderr
    assert not (tmp_path / "clearwell-calibration.toml").exists()


def test_damaged_calibration_file_is_named_and_the_command_stops(tmp_path: Path) -> None:
    config = configured(tmp_path, "/dev/nothing")
    (tmp_path / "clearwell-calibration.toml").write_text('[[calibration]]\nreservoir = "barrel"\n')
    done = clearwell_process("check", str(config))
    assert done.status == 2
    assert "clearwell-calibration.toml" in done.stderr
    assert "cell_constant_per_cm" in done.stderr
