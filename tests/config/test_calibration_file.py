"""The file of calibrations: the plan has the age of the newest one, and the drift of all of them."""

import time
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from bridge.config.calibration_file import NAME, CalibrationTable, append, history
from bridge.config.loading import load
from bridge.station.plan import ProbePlan
from bridge.water.calibration import SECONDS_PER_YEAR, PastCalibration, constant_percent
from tests.config.test_settings import BARREL


def kept(years_ago: float, constant_per_cm: float, **more: Any) -> CalibrationTable:
    made = datetime.fromtimestamp(time.time() - years_ago * SECONDS_PER_YEAR, UTC)
    return CalibrationTable(
        reservoir="barrel",
        cell="product",
        made=made,
        standard="84",
        temperature_c=24.0,
        cell_constant_per_cm=constant_per_cm,
        offset_us=0.0,
        cell_constant_percent=0.987654321,
        before_cell_constant_per_cm=0.1,
        before_offset_us=0.0,
        configured_cell_constant_per_cm=0.1,
        **more,
    )


def product(folder: Path, *tables: CalibrationTable, environ: dict[str, str] | None = None) -> ProbePlan:
    file = folder / "clearwell.toml"
    file.write_text(BARREL, "utf-8")
    for table in tables:
        append(folder / NAME, table)
    return load(file, environ or {}).stations[0].product


def test_the_uncertainty_of_a_constant_is_kept_in_full_and_grows_with_its_age(tmp_path: Path) -> None:
    probe = product(tmp_path, kept(2.0, 0.103, own_percent=0.8, percent_per_k=1.9))
    assert history(tmp_path / NAME)[0].cell_constant_percent == 0.987654321
    uncertainties, made = probe.chain.uncertainties, probe.calibration
    assert made is not None
    assert uncertainties.cell_constant_percent == pytest.approx((0.8**2 + 10.0**2) ** 0.5, rel=1e-3)
    assert uncertainties.calibration_percent_per_k == 1.9
    assert made.age_s == pytest.approx(2.0 * SECONDS_PER_YEAR, rel=1e-3)
    # After another year of running it is what a start then would find.
    later = made.percent_after(uncertainties.cell_constant_percent, SECONDS_PER_YEAR)
    assert later == pytest.approx((0.8**2 + 15.0**2) ** 0.5, rel=1e-3)


def test_a_cell_whose_calibrations_agree_drifts_less(tmp_path: Path) -> None:
    tables = [kept(years, 0.103, own_percent=0.5, percent_per_k=1.9) for years in (5.0, 4.0, 3.0, 2.0, 1.0)]
    probe = product(tmp_path, *tables)
    past = [PastCalibration(one.made.timestamp(), 0.103, 0.5) for one in tables]
    expected = constant_percent(time.time(), past)
    assert probe.chain.uncertainties.cell_constant_percent == pytest.approx(expected, rel=1e-3)
    assert probe.calibration is not None
    assert probe.calibration.drift_percent_per_year < 4.0


def test_an_older_file_counts_the_thermometer_in_its_constant(tmp_path: Path) -> None:
    uncertainties = product(tmp_path, kept(0.0, 0.103)).chain.uncertainties
    assert uncertainties.cell_constant_percent == pytest.approx(0.987654321, rel=1e-3)
    assert uncertainties.calibration_percent_per_k == 0.0


def test_a_constant_of_the_environment_has_no_calibration(tmp_path: Path) -> None:
    environ = {"CLEARWELL_RESERVOIR__BARREL__PRODUCT__CELL_CONSTANT_PER_CM": "0.2"}
    table = kept(1.0, 0.103, own_percent=0.8, percent_per_k=1.9)
    probe = product(tmp_path, table, environ=environ)
    assert probe.calibration is None
    assert probe.chain.uncertainties.calibration_percent_per_k == 0.0
