"""``clearwell export`` and ``clearwell log``: the log in files and in the terminal."""

import csv
import errno
import io
import json
import os
import pty
import re
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from signal import SIGINT

import pytest

from bridge.commands.log import KINDS
from bridge.commands.shared import configuration as logfile
from bridge.commands.shared.values import moment_ms, span_of
from bridge.errors import InputError
from bridge.guard.model import Trip
from bridge.history.records import (
    AlarmChange,
    AlarmRow,
    CalibrationRow,
    CartridgeRow,
    CommandRow,
    EntryRow,
    EventRow,
    FillRow,
    Kind,
    SampleRow,
    Stamp,
)
from bridge.history.senml import parse
from bridge.history.views import utc_text
from bridge.history.writer import Log
from tests.running import Finished, clearwell_process, run, started
from tests.waiting import DEADLINE_S

ROOT = Path(__file__).parents[2]
PYTHON = (sys.executable, "-m", "bridge")
NOW_MS = 1_750_003_200_000
"""2025-06-15T16:00Z."""
DAY_MS, HOUR_MS = 86_400_000, 3_600_000

SAID = "The valve was open and the level did not rise in the time it takes; the valve was shut, see the hose."
ESCAPE = "open\x1b[2J\nthe valve\u202e"


def one_of_each(start_ms: int) -> list[EntryRow]:
    at = [Stamp(1, 50_000 + n, start_ms + 600_000 * (n + 1)) for n in range(8)]
    return [
        EventRow(at[0], "", "clock-stepped", "The clock was set back by 3600 s."),
        AlarmRow(at[1], "barrel", Trip.NO_RISE, AlarmChange.RAISED, SAID, first_out=True),
        AlarmRow(at[2], "barrel", Trip.NO_RISE, AlarmChange.ACKNOWLEDGED, "", "hub"),
        CommandRow(at[3], "barrel", ESCAPE, "stranger", False, "No command opens the valve."),
        CartridgeRow(at[4], "barrel", "second", 812.5, 251.0, "gardener"),
        CalibrationRow(at[5], "barrel", "product", 0.1003, 0.02, 84.0, 24.9, 1.1, "after cleaning"),
        SampleRow(at[6], "cask", "rain", 18.2, 9.1, 0.3, 0.5, 17.5, "natural", "suitable"),
        FillRow(at[7], "barrel", at[7].utc_ms - 1_500_000, 81.0, 1.5, 6.2, "full"),
    ]


@pytest.fixture(scope="module")
def log(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three hours of a barrel, a cask with a few readings, and an entry of every kind."""
    from tests.history.conftest import START_MS, barrel

    path = tmp_path_factory.mktemp("log") / "clearwell.db"
    one = Log(path)
    one.start().result(DEADLINE_S)
    one.write([barrel(second) for second in range(0, 3 * 3600, 2)])
    one.write([barrel(second, reservoir="cask") for second in range(20_000, 20_010)])
    one.write(one_of_each(START_MS))
    assert one.flush().result(DEADLINE_S)
    assert one.close(DEADLINE_S)
    return path


def clearwell(*arguments: object, **environ: str) -> Finished:
    return clearwell_process(*arguments, cwd=ROOT, environ={"COLUMNS": "80", **environ})


def refused(*arguments: object, **environ: str) -> str:
    """Returns the one message of a command with a mistake."""
    done = clearwell(*arguments, **environ)
    assert done.status == 2, done
    assert done.stdout == ""
    assert "Traceback" not in done.stderr
    return done.stderr


# --- ranges of time -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "end", "moment"),
    [
        ("2025-06-15", False, "2025-06-15T00:00:00.000Z"),
        ("2025-06-15", True, "2025-06-16T00:00:00.000Z"),
        ("2025-06-15T14:30", False, "2025-06-15T14:30:00.000Z"),
        ("2025-06-15T14:30", True, "2025-06-15T14:30:00.000Z"),
        ("2025-06-15 14:30:05.25", False, "2025-06-15T14:30:05.250Z"),
        ("2025-06-15T14:30Z", False, "2025-06-15T14:30:00.000Z"),
        ("2025-06-15T14:30+02:00", False, "2025-06-15T12:30:00.000Z"),
        ("7d", False, "2025-06-08T16:00:00.000Z"),
        ("2w", False, "2025-06-01T16:00:00.000Z"),
        ("12h", True, "2025-06-15T04:00:00.000Z"),
        ("90m", False, "2025-06-15T14:30:00.000Z"),
    ],
)
def test_days_times_and_ages_are_parsed(text: str, end: bool, moment: str) -> None:
    assert utc_text(moment_ms(text, NOW_MS, end=end)) == moment


@pytest.mark.parametrize(
    "text",
    ["", "yesterday", "7", "-7d", "7 d", "7y", "2025-06-31", "2025-13-01", "0001-01-01", "1969-12-30",
     "9999-12-31T23:59", "999999w", "2025-06-15T25:00", "٧d", "1e9"],
)  # fmt: skip
def test_an_invalid_time_is_refused_with_the_right_form(text: str) -> None:
    with pytest.raises(InputError, match="is not a time; give a day such as"):
        moment_ms(text, NOW_MS, end=True)


def test_the_open_ends_of_a_range_are_those_of_the_log_and_an_empty_range_is_refused() -> None:
    held = (NOW_MS - 10 * DAY_MS, NOW_MS - DAY_MS)
    assert span_of(None, None, held, NOW_MS) == (held[0], NOW_MS + 1)
    assert span_of("2d", "1d", held, NOW_MS) == (NOW_MS - 2 * DAY_MS, NOW_MS - DAY_MS)
    assert span_of(None, None, (0, 0), NOW_MS) == (0, NOW_MS + 1)
    # After a clock was set back, the log extends beyond now. The range must include all of the log.
    assert span_of("1d", None, (held[0], NOW_MS + DAY_MS), NOW_MS)[1] == NOW_MS + DAY_MS + 1
    for since, until, why in (
        ("1d", "2d", "ends before it begins"),
        ("2025-06-15", "2025-06-14", "ends before it begins"),
        ("2025-07-01", None, "in the future"),
        (None, "2025-01-01", "before the log begins"),
    ):
        with pytest.raises(InputError, match=why):
            span_of(since, until, held, NOW_MS)


# --- export -------------------------------------------------------------------------------------------


def test_csv_has_the_requested_range_series_and_reservoirs(log: Path, start_ms: int) -> None:
    done = clearwell(
        "export", "--log", log, "--out", "-", "--format", "csv", "--grain", "raw", "--series", "volume",
        "--series", "conductivity-25", "--reservoir", "barrel",
        "--from", utc_text(start_ms + HOUR_MS), "--to", utc_text(start_ms + HOUR_MS + 60_000),
    )  # fmt: skip
    assert (done.status, done.stderr) == (0, "")
    rows = list(csv.reader(io.StringIO(done.stdout)))
    assert rows[0] == ["time", "reservoir", "path", "health", "volume_l", "conductivity_25_us_cm"]
    assert len(rows) == 1 + 30
    assert {row[1] for row in rows[1:]} == {"barrel"}
    assert rows[1][0].startswith("2025-06-15T17:00:00")
    assert rows[-1][0].startswith("2025-06-15T17:00:58")


@pytest.mark.parametrize(("grain", "buckets"), [("minute", 180), ("hour", 3)])
def test_senml_has_the_roll_ups_and_can_be_read_back(
    log: Path, tmp_path: Path, grain: str, buckets: int
) -> None:
    out = tmp_path / "summer.json"
    done = clearwell(
        "export", "--log", log, "--out", out, "--format", "senml", "--grain", grain, "--reservoir", "barrel",
        "--series", "volume",
    )  # fmt: skip
    assert done.status == 0, done.stderr
    assert str(out) in done.stdout
    names = [record.name for record in parse(out.read_text())]
    for part in ("min", "mean", "max", "count"):
        assert names.count(f"clearwell/barrel/reservoir/volume/{grain}/{part}") == buckets


def test_by_default_the_minutes_of_every_reservoir_are_exported(log: Path) -> None:
    done = clearwell("export", "--log", log, "--out", "-", "--format", "csv")
    rows = list(csv.DictReader(io.StringIO(done.stdout)))
    assert [row["reservoir"] for row in rows].count("barrel") == 180
    assert [row["reservoir"] for row in rows].count("cask") >= 1
    assert {"volume_l_min", "product_ppm_mean", "throughput_l_max"} <= set(rows[0])


def test_events_are_exported_instead_of_readings(log: Path, start_ms: int) -> None:
    done = clearwell("export", "--log", log, "--out", "-", "--format", "csv", "--events")
    rows = list(csv.DictReader(io.StringIO(done.stdout)))
    assert [row["kind"] for row in rows] == [
        "event", "alarm", "alarm", "command", "cartridge", "calibration", "sample", "fill",
    ]  # fmt: skip
    assert json.loads(rows[1]["details"])["sentence"] == SAID
    only = clearwell(
        "export", "--log", log, "--out", "-", "--format", "senml", "--events", "--reservoir", "cask"
    )
    records = parse(only.stdout)
    assert records
    assert all(record.name.startswith("clearwell/cask/sample/") for record in records)


def test_an_empty_range_is_not_a_mistake_and_is_reported(log: Path) -> None:
    done = clearwell(
        "export", "--log", log, "--out", "-", "--format", "csv", "--grain", "raw", "--from", "1m"
    )
    assert done.status == 0
    assert len(done.stdout.splitlines()) == 1
    assert "nothing in this range; the log goes from 2025-06-15T16:00:00.000Z to" in done.stderr
    assert "--grain minute" in done.stderr


def test_an_existing_file_is_replaced_only_with_force_and_never_the_log(log: Path, tmp_path: Path) -> None:
    out = tmp_path / "out.csv"
    out.write_text("mine")
    asked = ("export", "--log", log, "--format", "csv", "--grain", "hour")
    assert "the file is there already" in refused(*asked, "--out", out)
    assert out.read_text() == "mine"
    assert clearwell(*asked, "--out", out, "--force").status == 0
    assert out.read_text().startswith("time,reservoir,readings")
    before = log.read_bytes()
    link = tmp_path / "link"
    link.symlink_to(log)
    for itself in (log, link):
        assert "that is the log itself" in refused(*asked, "--out", itself, "--force")
    assert log.read_bytes() == before
    assert sorted(one.name for one in tmp_path.iterdir()) == ["link", "out.csv"]


def test_a_full_disk_leaves_no_partial_export_and_no_traceback(log: Path, tmp_path: Path) -> None:
    """A limit on the size of files simulates the full disk. The existing file is kept."""
    out = tmp_path / "out.csv"
    out.write_text("mine")
    line = " ".join([*PYTHON, "export", "--log", str(log), "--out", str(out), "--format", "csv", "--force"])
    limited = f"ulimit -f 16; trap '' XFSZ; {line}"
    done = run("bash", "-c", limited, cwd=ROOT)
    assert done.status == 1
    assert "cannot be written (File too large)" in done.stderr
    assert "Traceback" not in done.stderr
    assert out.read_text() == "mine"
    assert list(tmp_path.iterdir()) == [out]


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (("--series", "purity"), "--series purity: there is no such series; there are conductance"),
        (("--reservoir", "pond"), "has no such reservoir; it has barrel, cask"),
        (("--events", "--reservoir", "pond"), "has no such reservoir; it has barrel, cask"),
        (("--from", "yesterday"), "--from 'yesterday' is not a time"),
        (("--from", "1d", "--to", "2d"), "the range ends before it begins"),
        (("--out", "/nowhere/out.csv"), "there is no directory /nowhere"),
        (("--out", "/"), "that is a directory"),
        (("--events", "--grain", "raw"), "leave out --grain and --series"),
        (("--grain", "day"), "'day' is not one of"),
        (("--format", "xml"), "'xml' is not one of"),
        (("--log", "nowhere.db"), "nowhere.db: there is no such file"),
        (("--log", "/"), "/: is not a file"),
        (("--log", __file__), "this is no log, or a damaged one"),
        (("--log", os.devnull), "is not a file"),
        (("--config", "config/minimal.toml"), "which log? Give either --log"),
    ],
)
def test_a_wrong_argument_ends_with_status_2_and_a_message_with_the_right_form(
    log: Path, arguments: tuple[str, ...], message: str
) -> None:
    said = refused("export", "--log", log, "--out", "-", "--format", "csv", *arguments)
    assert message in " ".join(said.split())


def test_a_log_that_only_the_service_can_read_is_reported(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The test simulates the permissions, since root has all of them."""

    def hidden(*_: object, **__: object) -> os.stat_result:
        raise PermissionError(errno.EACCES, "Permission denied")

    monkeypatch.setattr(Path, "stat", hidden)
    with pytest.raises(InputError, match="this user may not read it"):
        logfile.chosen(tmp_path / "clearwell.db", None)


def test_an_export_to_a_link_is_written_to_its_target(log: Path, tmp_path: Path) -> None:
    real, link = tmp_path / "real.csv", tmp_path / "link.csv"
    real.write_text("mine")
    link.symlink_to(real)
    asked = ("export", "--log", log, "--format", "csv", "--grain", "hour", "--out", link, "--force")
    assert clearwell(*asked).status == 0
    assert link.is_symlink()
    assert real.read_text().startswith("time,reservoir,readings")


def test_another_sqlite_file_is_no_log(tmp_path: Path) -> None:
    empty = tmp_path / "empty.db"
    empty.touch()
    assert "this is no log" in refused("log", "--log", empty)


def test_the_log_is_found_by_the_configuration(log: Path, tmp_path: Path) -> None:
    config = tmp_path / "clearwell.toml"
    minimal = (ROOT / "config" / "minimal.toml").read_text(encoding="utf-8")
    config.write_text(minimal, encoding="utf-8")
    said = refused("log", "--config", config)
    assert f"{tmp_path / 'clearwell.db'}: there is no such file" in said
    config.write_text(f'{minimal}\n[log]\npath = "{log}"\n', encoding="utf-8")
    done = clearwell("log", "--config", config, "--kind", "fill")
    assert done.status == 0, done.stderr
    assert "barrel, fill: 81.0 L in 25 min" in done.stdout
    config.write_text(f"{minimal}\n[log]\nenabled = false\n", encoding="utf-8")
    assert "keeps no log" in refused("log", "--config", config)


# --- long work ----------------------------------------------------------------------------------------


def on_terminal(arguments: list[str], stdout: int) -> str:
    """Returns the output of a command on a terminal's error stream."""
    master, slave = pty.openpty()
    try:
        with subprocess.Popen(arguments, cwd=ROOT, stdout=stdout, stderr=slave, close_fds=True) as process:
            os.close(slave)
            shown = b""
            while True:
                try:
                    piece = os.read(master, 65536)
                except OSError:
                    break
                if not piece:
                    break
                shown += piece
            assert process.wait(DEADLINE_S) == 0
    finally:
        os.close(master)
    return shown.decode()


def test_only_long_work_shows_a_progress_bar_on_a_terminal(log: Path, tmp_path: Path) -> None:
    export = ["export", "--log", str(log), "--format", "csv", "--grain", "raw", "--force", "--out"]
    # The test sets the bound for long work, so that a busy machine has no influence.
    after_s = (
        "from bridge.commands.shared import configuration; from bridge.commands.main import main; "
        "configuration.BAR_AFTER_S = {}; main()"
    )
    long_work = [sys.executable, "-c", after_s.format(0.0), *export, str(tmp_path / "out.csv")]
    short_work = [sys.executable, "-c", after_s.format(60.0), *export, str(tmp_path / "out.csv")]
    shown = on_terminal(long_work, subprocess.DEVNULL)
    assert "export" in shown
    assert "100%" in shown
    assert on_terminal(short_work, subprocess.DEVNULL) == ""
    piped = run(*long_work, cwd=ROOT)
    assert (piped.status, piped.stderr) == (0, "")


@pytest.mark.parametrize(
    "arguments",
    [("export", "--out", "-", "--format", "csv", "--grain", "raw"),
     ("export", "--out", "-", "--format", "senml", "--grain", "raw"),
     ("log",)],
)  # fmt: skip
def test_a_closed_pipe_ends_the_command_without_a_message(log: Path, arguments: tuple[str, ...]) -> None:
    with subprocess.Popen(
        [*PYTHON, *arguments, "--log", str(log)], cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE
    ) as process:
        assert process.stdout is not None
        assert process.stderr is not None
        process.stdout.close()
        assert process.stderr.read() == b""
        assert process.wait(DEADLINE_S) == 0


# --- the terminal -------------------------------------------------------------------------------------


def test_the_kinds_of_the_option_are_those_of_the_log() -> None:
    assert tuple(kind.value for kind in Kind) == KINDS


def test_entries_of_every_kind_are_readable_at_80_columns_without_colour(log: Path) -> None:
    done = clearwell("log", "--log", log)
    assert (done.status, done.stderr) == (0, "")
    lines = done.stdout.splitlines()
    assert max(map(len, lines)) <= 80
    assert all(one.isprintable() for one in lines)
    # Each entry begins with its time, and further lines are indented.
    assert sum(bool(re.match(r"2025-06-15 1[67]:\d0:00  \S", one)) for one in lines) == 8
    assert all(re.match(r"(2025-06-15 1[67]:\d0:00  | {21})\S", one) for one in lines)
    said = " ".join(done.stdout.split())
    for part in (
        "16:10:00 event: clock-stepped: The clock was set back by 3600 s.",
        f"barrel, alarm: no-rise-while-open raised (first-out): {SAID}",
        "barrel, alarm: no-rise-while-open acknowledged by hub",
        "from stranger: refused: No command opens the valve.",
        "barrel, cartridge: changed to second by gardener; the old one made 812 L and took out 251 g of",
        "product cell in 84 µS/cm at 24.9 °C: constant 0.1003 cm⁻¹ ± 1.1 % (k = 2), offset 0.02 µS: after",
        "cask, sample: rain: 9.1 ± 0.3 ppm at a factor of 0.5 (18.2 µS/cm at 25 °C, taken at 17.5 °C),",
        "barrel, fill: 81.0 L in 25 min, of rinse 1.5 L, on average 6.2 ppm; ended by full",
    ):
        assert part in said


def test_received_text_cannot_send_control_sequences_to_the_terminal(log: Path) -> None:
    for how in ((), ("--json",)):
        shown = clearwell("log", "--log", log, "--kind", "command", *how).stdout
        assert "\x1b" not in shown
        assert "\u202e" not in shown
        assert "stranger" in shown
    assert r"open\x1b[2J\nthe valve\u202e" in " ".join(
        clearwell("log", "--log", log, COLUMNS="100").stdout.split()
    )


def test_entries_are_chosen_by_kind_reservoir_and_range(log: Path, start_ms: int) -> None:
    def times(*arguments: str) -> list[str]:
        done = clearwell("log", "--log", log, "--json", *arguments)
        assert done.status == 0, done.stderr
        return [json.loads(line)["time"][11:16] for line in done.stdout.splitlines()]

    assert times("--kind", "alarm", "--kind", "fill") == ["16:20", "16:30", "17:20"]
    assert times("--reservoir", "cask") == ["17:10"]
    assert times("--from", "2025-06-15T16:40", "--to", "2025-06-15T17:00") == ["16:40", "16:50"]
    assert times("--to", "2025-06-15", "--kind", "event") == ["16:10"]


def test_json_lines_have_every_field(log: Path) -> None:
    done = clearwell("log", "--log", log, "--json", "--kind", "command")
    assert json.loads(done.stdout) == {
        "time": "2025-06-15T16:40:00.000Z", "reservoir": "barrel", "kind": "command", "what": ESCAPE,
        "sender": "stranger", "accepted": False, "refusal": "No command opens the valve.",
    }  # fmt: skip


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (("--kind", "trip"), "'trip' is not one of"),
        (("--reservoir", "pond"), "has no such reservoir; it has barrel, cask"),
        (("--to", "2025"), "--to '2025' is not a time"),
        (("--follow", "--to", "1d"), "leave one of them out"),
        (("--log", "nowhere.db"), "nowhere.db: there is no such file"),
    ],
)
def test_a_wrong_option_of_log_ends_with_status_2(
    log: Path, arguments: tuple[str, ...], message: str
) -> None:
    assert message in " ".join(refused("log", "--log", log, *arguments).split())


@pytest.fixture
def running(tmp_path: Path) -> Iterator[Log]:
    """A log that a writer has open."""
    one = Log(tmp_path / "clearwell.db")
    one.start().result(DEADLINE_S)
    yield one
    assert one.close(DEADLINE_S)


def test_following_shows_each_new_entry_once_while_the_daemon_writes(
    running: Log, start_ms: int, make_reading: Callable[..., object]
) -> None:
    def event(number: int) -> EventRow:
        return EventRow(Stamp(1, number, start_ms + 1000 * number), "barrel", "phase", f"Number {number}.")

    running.write([event(1)])
    assert running.flush().result(DEADLINE_S)
    with started("log", "--log", running.path, "--follow", cwd=ROOT) as follow:
        follow.prints("Number 1.")
        # Events wait some seconds for their commit.
        running.write([event(2)])
        follow.prints("Number 2.")
        running.write([event(3)])
        assert running.flush().result(DEADLINE_S)
        follow.prints("Number 3.")
        assert follow.stop(SIGINT) == 0
    assert re.findall(r"Number \d", follow.printed) == ["Number 1", "Number 2", "Number 3"]
    assert len(follow.printed.splitlines()) == 3, "something else was printed"
