"""``clearwell doctor`` on the computer itself: clock, disk, log, calibrations and program."""

import os
import re
import resource
import sqlite3
import subprocess
import tomllib
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import pytest

from bridge.config.loading import load
from bridge.doctor import Verdict
from bridge.doctor.judge_machine import (
    ClockFacts,
    DiskFacts,
    Library,
    ProgramFacts,
    judge_calibrations,
    judge_clock,
    judge_disk,
    judge_program,
)
from bridge.doctor.see_machine import LIBRARIES, files_at, see_disk
from bridge.history.writer import Log
from bridge.station.plan import CALIBRATION_DAYS, CalibrationInForce
from tests.history.conftest import barrel
from tests.install.conftest import ROOT, as_somebody_else
from tests.install.test_backup import older
from tests.install.test_doctor import doctor as examined
from tests.waiting import DEADLINE_S

NOW_S = datetime(2026, 6, 1, tzinfo=UTC).timestamp()


@pytest.mark.parametrize(
    ("clock", "verdict", "said"),
    [
        (ClockFacts(0.0, None), Verdict.WRONG, "never set"),
        (ClockFacts(NOW_S, True, NOW_S + 3600), Verdict.WRONG, "before the log's newest entry"),
        (ClockFacts(NOW_S, False, NOW_S - 60), Verdict.LOOK, "not synchronised"),
        (ClockFacts(NOW_S, None, NOW_S + 1), Verdict.OK, "it is not known whether"),
        (ClockFacts(NOW_S, True), Verdict.OK, "synchronised"),
    ],
)
def test_an_implausible_clock_is_found(clock: ClockFacts, verdict: Verdict, said: str) -> None:
    found = judge_clock(clock)
    assert found.verdict is verdict
    assert said in found.what
    assert bool(found.next) == (verdict is not Verdict.OK)


def test_a_full_disk_is_found_by_a_test_write(tmp_path: Path, configured: Callable[..., Path]) -> None:
    folder = tmp_path / "small"
    folder.mkdir()
    mounted = (
        os.geteuid() == 0
        and not subprocess.run(
            ["mount", "-t", "tmpfs", "-o", "size=64k", "none", str(folder)], check=False, capture_output=True
        ).returncode
    )
    try:
        if mounted:
            seen = see_disk(folder / "clearwell.db", 0.0)
        else:
            seen = _bounded(lambda: see_disk(folder / "clearwell.db", 0.0))
        assert list(folder.iterdir()) == []
    finally:
        if mounted:
            subprocess.run(["umount", str(folder)], check=True)
    assert seen.trouble
    plan = load(configured(), {})
    found = [one for one in judge_disk(seen, plan) if one.verdict is Verdict.WRONG]
    assert [seen.trouble in one.what for one in found] == [True]
    if mounted:
        assert seen.files == "tmpfs"


def _bounded(look: Callable[[], DiskFacts]) -> DiskFacts:
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (8192, before[1]))
    try:
        return look()
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)


def test_a_directory_without_write_permission_is_found(
    tmp_path: Path, configured: Callable[..., Path]
) -> None:
    folder = tmp_path / "locked"
    folder.mkdir(mode=0o555)
    for one in (tmp_path, *tmp_path.parents):
        if (
            one != Path("/tmp")
            and os.geteuid() == 0
            and one.stat().st_uid == 0
            and str(one).startswith("/tmp/")
        ):
            one.chmod(one.stat().st_mode | 0o011)
    seen = (
        as_somebody_else(lambda: see_disk(folder / "clearwell.db", 0.0))
        if os.geteuid() == 0
        else see_disk(folder / "clearwell.db", 0.0)
    )
    assert isinstance(seen, DiskFacts)
    assert Verdict.WRONG in [one.verdict for one in judge_disk(seen, load(configured(), {}))]


MOUNTS = """\
22 1 8:1 / / rw,relatime shared:1 - ext4 /dev/root rw
40 22 0:40 / /mnt/my\\040share rw - nfs4 server:/share rw
41 22 0:41 / /var/lib rw shared:2 - btrfs /dev/sdb rw
"""


def test_the_kind_of_file_system_is_that_of_the_innermost_mount() -> None:
    assert files_at(Path("/mnt/my share/log"), MOUNTS) == "nfs4"
    assert files_at(Path("/mnt/my shared"), MOUNTS) == "ext4"
    assert files_at(Path("/var/lib/clearwell"), MOUNTS) == "btrfs"


@pytest.mark.parametrize(
    ("disk", "verdicts"),
    [
        (DiskFacts(Path("/log/clearwell.db"), "nfs4", 10**10, None, True), {Verdict.WRONG, Verdict.OK}),
        (DiskFacts(Path("/log/clearwell.db"), "tmpfs", 10**10, None, True), {Verdict.LOOK, Verdict.OK}),
        (DiskFacts(Path("/log/clearwell.db"), "ext4", 10**10, None, True), {Verdict.OK}),
        (DiskFacts(Path("/log/clearwell.db"), "ext4", 10**7, None, True), {Verdict.WRONG}),
        (DiskFacts(Path("/log/clearwell.db"), "ext4", 3 * 10**7, None, True), {Verdict.LOOK}),
        # At this growth, a year takes 365 MB.
        (DiskFacts(Path("/log/clearwell.db"), "ext4", 3 * 10**8, None, True, 10**8, 100.0), {Verdict.LOOK}),
        (DiskFacts(Path("/log/clearwell.db"), "ext4", 10**9, None, True, 10**8, 100.0), {Verdict.OK}),
        (
            DiskFacts(Path("/log/clearwell.db"), "ext4", 10**9, None, True, foreign=("x-wal",)),
            {Verdict.OK, Verdict.LOOK},
        ),
        (DiskFacts(Path("/log/clearwell.db"), "", 0, None, False), {Verdict.LOOK}),
    ],
)
def test_a_disk_is_judged_by_the_future_size_of_the_log(
    disk: DiskFacts, verdicts: set[Verdict], configured: Callable[..., Path]
) -> None:
    found = list(judge_disk(disk, load(configured(), {})))
    assert {one.verdict for one in found} == verdicts
    assert all(bool(one.next) == (one.verdict is not Verdict.OK) for one in found)


def test_a_damaged_log_is_a_fault_and_an_older_log_is_not(
    configured: Callable[..., Path], tmp_path: Path
) -> None:
    path = tmp_path / "clearwell.db"
    older(path)
    _, found = examined(configured())
    assert found["log", ""]["verdict"] == "ok"
    assert "older program" in found["log", ""]["what"]
    path.unlink()
    log = Log(path)
    log.start().result(DEADLINE_S)
    log.write([barrel(second) for second in range(0, 7200, 10)])
    log.flush().result(DEADLINE_S)
    log.close(DEADLINE_S)
    _, found = examined(configured())
    assert "is sound" in found["log", ""]["what"]
    content = bytearray(path.read_bytes())
    content[4096:12288] = os.urandom(8192)
    path.write_bytes(content)
    done, found = examined(configured())
    assert done.status == 1
    assert found["log", ""]["verdict"] == "wrong"
    assert "clearwell restore" in found["log", ""]["next"]
    with sqlite3.connect(path) as connection:
        connection.execute("PRAGMA user_version = 99")
    assert "layout 99" in examined(configured())[1]["log", ""]["what"]


@pytest.mark.parametrize(
    ("days", "verdict"),
    [(None, Verdict.LOOK), (10, Verdict.OK), (CALIBRATION_DAYS + 1, Verdict.LOOK), (-9, Verdict.LOOK)],
)
def test_an_old_calibration_is_found(
    days: float | None, verdict: Verdict, configured: Callable[..., Path]
) -> None:
    from dataclasses import replace

    (plan,) = load(configured(), {}).stations
    if days is not None:
        made = CalibrationInForce(datetime.fromtimestamp(NOW_S - 86_400 * days, UTC), "84", 0.6, Path("file"))
        plan = replace(plan, product=replace(plan.product, calibration=made))
    (found,) = judge_calibrations(plan, NOW_S)
    assert (found.about, found.verdict) == ("barrel.product", verdict)


def test_a_missing_library_is_reported_with_its_extra(configured: Callable[..., Path]) -> None:
    libraries = tuple(Library(name, extra, None if name == "uvicorn" else "1") for name, extra in LIBRARIES)
    program = ProgramFacts("0.1.0", "3.11.7", "3.40.1", libraries)
    plain = list(judge_program(program, load(configured(), {})))
    assert {one.verdict for one in plain} == {Verdict.OK}
    assert plain[-1].what.endswith("not installed: page.")
    wanted = list(judge_program(program, load(configured(hub="[page]\n"), {})))
    assert [one.what for one in wanted if one.verdict is Verdict.WRONG] == [
        "The configuration needs the extra page, of which uvicorn is missing."
    ]
    broken = ProgramFacts("0.1.0", "3.11.7", "3.40.1", (Library("click", "", None),))
    assert next(judge_program(broken, None)).verdict is Verdict.WRONG


def test_the_libraries_are_those_of_the_package() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
    named = re.compile(r"[A-Za-z0-9_-]+")
    told = {(named.match(one)[0], "") for one in project["dependencies"]}  # type: ignore[index]
    for extra, ones in project["optional-dependencies"].items():
        if extra != "test":
            told |= {(named.match(one)[0], extra) for one in ones}  # type: ignore[index]
    assert set(LIBRARIES) == told


def test_the_synchronisation_is_that_of_the_system(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from bridge.doctor.see_machine import see_clock

    program = tmp_path / "timedatectl"
    monkeypatch.setenv("PATH", str(tmp_path))
    assert see_clock(None).synchronised is None
    for said, so in (("yes", True), ("no", False), ("", None)):
        program.write_text(f"#!/bin/sh\necho {said}\n")
        program.chmod(0o755)
        assert see_clock(None).synchronised is so
