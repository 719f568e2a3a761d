"""Broken files, variables and machines: each gives one message, with place, remedy and exit status."""

import sqlite3
import sys
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from tests.brokers import free_port
from tests.commands.test_mistakes import one_message
from tests.running import clearwell, run

CONFIG = Path(__file__).parents[2] / "config"
RIGHT = (CONFIG / "minimal.toml").read_text("utf-8")
HUB = "\n[hub]\nhost = 'localhost'\n"


@dataclass(frozen=True, slots=True)
class Broken:
    """A broken configuration or environment of ``clearwell check``, and what the message names."""

    place: str
    remedy: str
    old: str = ""
    new: str = ""
    """The text of the right file that is replaced, and what replaces it; without a text, it is added."""
    environ: dict[str, str] = field(default_factory=dict)

    def text(self) -> str:
        assert self.old in RIGHT
        return RIGHT.replace(self.old, self.new, 1) if self.old else RIGHT + self.new


KIND, DIAMETER, PORT = '"upright-cylinder"', "diameter_m = 0.58", "/dev/serial/by-id/usb-controller-if00"
SENSOR, SHAPE = "[reservoir.barrel.level.sensor]", "[reservoir.barrel.shape]"
BARREL = "CLEARWELL_RESERVOIR__BARREL"
FILES = {
    # The form of the file.
    "double curly quotes": Broken("line 12", "straight quotation marks", KIND, "“upright-cylinder”"),
    "single curly quotes": Broken("line 12", "straight quotation marks", KIND, "‘upright-cylinder’"),
    "no quotes": Broken("line 12", "put the text into quotation marks", KIND, "upright-cylinder"),
    "no closing quote": Broken("line 12", "close the text with a quotation mark", KIND, '"upright-cylinder'),
    "True": Broken(
        "line 17", "write true", SENSOR, f"[reservoir.barrel.level]\noverflow_float = True\n{SENSOR}"
    ),
    "decimal comma": Broken("line 13", "write a decimal point", DIAMETER, "diameter_m = 0,58"),
    "no leading zero": Broken("line 13", "write a zero before the point", DIAMETER, "diameter_m = .58"),
    "no digit after the point": Broken("line 13", "write a digit after", DIAMETER, "diameter_m = 1."),
    "a unit": Broken("line 13", "write the number alone", DIAMETER, "diameter_m = 58 cm"),
    "no value": Broken("line 13", "give a value after the equals sign", DIAMETER, "diameter_m ="),
    "a semicolon": Broken("line 13", "leave the semicolon out", DIAMETER, f"{DIAMETER};"),
    "a colon": Broken("line 13", "with an equals sign", DIAMETER, "diameter_m: 0.58"),
    "a comment with slashes": Broken("line 1", "begins with #", "# The", "// The"),
    "an open table": Broken("line 11", "close the name", SHAPE, SHAPE[:-1]),
    "a table twice": Broken("'reservoir', 'barrel'", "further up already", new="\n[reservoir.barrel]\n"),
    "a key twice": Broken("line 14", "keep one of the two", DIAMETER, f"{DIAMETER}\n{DIAMETER}"),
    "a backslash": Broken("line 9", "between single quotation marks", PORT, "C:\\dev"),
    "a byte order mark": Broken("line 1", "without a byte order mark", "# The", "\ufeff# The"),
    # The values in it.
    "a number in quotes": Broken("diameter_m", "without quotation marks", DIAMETER, 'diameter_m = "0.58"'),
    "a negative size": Broken("diameter_m = -0.58", "must be above 0", DIAMETER, "diameter_m = -0.58"),
    "a misspelt key": Broken("shape.hight_m", "'height_m'?", "height_m", "hight_m = 1\nheight_m"),
    "a misspelt word": Broken("shape.kind", "'upright-cylinder'?", KIND, '"upright-cylindre"'),
    "a missing key": Broken("shape.height_m", "is missing; give", "height_m = 0.76", ""),
    "a misspelt table": Broken("logg", "did you mean 'log'?", new="\n[logg]\n"),
    "no number": Broken("shape.height_m", "must be a finite number", "height_m = 0.76", "height_m = nan"),
    "an old key": Broken(
        "guard.advice_ppm", "is now called 'target_ppm'", new="[reservoir.barrel.guard]\nadvice_ppm = 9\n"
    ),
    "a password": Broken("hub.password", "CLEARWELL_HUB__PASSWORD", new=f"{HUB}password = 'x'\n"),
    "a host with a scheme": Broken("hub.host", "and nothing else", new="[hub]\nhost = 'mqtt://x'\n"),
    "a host with a port": Broken(
        "'x:1883'", 'write host = "x" and port = 1883', new="[hub]\nhost = 'x:1883'\n"
    ),
    "a page at a name": Broken("page.host", "give 127.0.0.1", new="\n[page]\nhost = 'nohost'\n"),
    "a token in the file": Broken("page.token", "CLEARWELL_PAGE__TOKEN", new="\n[page]\ntoken = 'x'\n"),
    "days of zero": Broken("log.raw_days = 0", "from 1 to 3660", new="\n[log]\nraw_days = 0\n"),
    "a unit that is not shown": Broken("display.volume", "'US gal'", new="\n[display]\nvolume = 'gallons'\n"),
    "no directory of secrets": Broken(
        "nodir", "create the file", "# The", f"secrets_dir = 'nodir'{HUB}# The"
    ),
    # The environment.
    "a variable of no table": Broken("CLEARWELL_HUBB__HOST", "'hub'?", environ={"CLEARWELL_HUBB__HOST": "x"}),
    "a variable of no key": Broken(f"{BARREL}__PROT", "'port'?", environ={f"{BARREL}__PROT": "x"}),
    "a variable of no key of a table that the file lacks": Broken(
        "CLEARWELL_HUB__HOTS", "'host'?", environ={"CLEARWELL_HUB__HOTS": "x"}
    ),
    "a variable of another reservoir": Broken(
        "CLEARWELL_RESERVOIR__BARRL__PORT", "'barrel'?", environ={"CLEARWELL_RESERVOIR__BARRL__PORT": "x"}
    ),
    "a word for a number": Broken(f"{BARREL}__BAUD", "a whole number", environ={f"{BARREL}__BAUD": "fast"}),
    "an empty variable": Broken(f"{BARREL}__PORT", "give the device path", environ={f"{BARREL}__PORT": ""}),
    "a word for a table": Broken("CLEARWELL_HUB:", "must be a table", environ={"CLEARWELL_HUB": "localhost"}),
    "a short token": Broken(
        "CLEARWELL_PAGE__TOKEN",
        "16 to 256 characters",
        new="[page]\n",
        environ={"CLEARWELL_PAGE__TOKEN": "x"},
    ),
    "a password without a user name": Broken(
        "without a user name", "give both or none", new=HUB, environ={"CLEARWELL_HUB__PASSWORD": "x"}
    ),
}


@pytest.mark.parametrize("broken", FILES.values(), ids=FILES)
def test_a_broken_configuration_gives_one_message_with_place_and_remedy(
    broken: Broken, tmp_path: Path
) -> None:
    file = tmp_path / "clearwell.toml"
    file.write_text(broken.text(), "utf-8")
    done = clearwell("check", file, **broken.environ)
    message = one_message(done)
    assert done.status == 2
    assert (str(file) in message) != any(name in message for name in broken.environ)
    assert broken.place in message
    assert broken.remedy in message
    # The daemon refuses it in the same words.
    assert clearwell("run", "--config", file, **broken.environ) == done


def not_utf_8(file: Path) -> None:
    file.write_bytes(RIGHT.encode("utf-16"))


def damaged(file: Path) -> None:
    file.write_bytes(b"SQLite format 3\0" + bytes(range(256)) * 40)


def of_a_newer_program(file: Path) -> None:
    connection = sqlite3.connect(file)
    connection.executescript("CREATE TABLE later (x); PRAGMA user_version = 99;")
    connection.close()


def a_directory(file: Path) -> None:
    file.mkdir()


def nothing(file: Path) -> None:
    assert not file.exists()


MACHINES: dict[str, tuple[Callable[[Path], None], str, int, str, str]] = {
    "a configuration in UTF-16": (not_utf_8, "check FILE", 2, "FILE", "save it as UTF-8"),
    "a configuration that is a directory": (a_directory, "check FILE", 2, "FILE: is not", "give the path"),
    "a damaged log": (
        damaged,
        "log --log FILE",
        2,
        "FILE: this is no log, or a damaged one",
        "give the file",
    ),
    "a damaged log to copy": (damaged, "backup --log FILE --out OUT", 2, "FILE", "give the file"),
    "a log of a newer program": (
        of_a_newer_program,
        "log --log FILE",
        1,
        "FILE has layout 99",
        "newer program",
    ),
    "a log that is a directory": (
        a_directory,
        "forecast --log FILE",
        2,
        "FILE: is not a file",
        "give the log",
    ),
    "no backup": (nothing, "restore FILE RIGHT", 2, "FILE", "clearwell backup"),
    "no directory for the report": (damaged, "report --log FILE --out OUT/x.html", 2, "OUT", "directory"),
    "no controller": (nothing, "commission --config RIGHT", 1, "usb-controller-if00", "correct the port"),
    "no broker": (nothing, "watch --once --wait 0.5 --port CLOSED", 1, "localhost:CLOSED", "check that the"),
    "a directory that is not there": (nothing, "rig --pty FILE/c", 2, "FILE/c", "a directory that exists"),
    "no trace": (
        nothing,
        "forecast --trace FILE --capacity-grams 3 --limit 9",
        2,
        "FILE cannot be",
        "give a CSV",
    ),
}


@pytest.mark.parametrize(("make", "typed", "status", "place", "remedy"), MACHINES.values(), ids=MACHINES)
def test_a_broken_machine_gives_one_message_with_place_and_remedy(
    make: Callable[[Path], None], typed: str, status: int, place: str, remedy: str, tmp_path: Path
) -> None:
    file, right = tmp_path / "file", tmp_path / "right.toml"
    right.write_text(RIGHT, "utf-8")
    make(file)
    places = {
        "FILE": str(file),
        "RIGHT": str(right),
        "OUT": str(tmp_path / "out"),
        "CLOSED": str(free_port()),
    }

    def put(text: str) -> str:
        for word, instead in places.items():
            text = text.replace(word, instead)
        return text

    done = clearwell(*put(typed).split(), answers="y\n")
    assert done.status == status
    assert "Traceback" not in done.stderr
    (message,) = [line for line in done.stderr.splitlines() if line.strip()]
    assert put(place) in message
    assert remedy in message


def test_the_tables_have_fifty_broken_environments() -> None:
    assert len(FILES) + len(MACHINES) >= 50


def test_a_full_disk_keeps_no_entry_and_the_message_promises_none(tmp_path: Path) -> None:
    (tmp_path / "jugs.toml").write_text("[shelf.jugs]\nname = 'Jugs'\n")
    words = ("sample", "--config", "jugs.toml", "--of", "jugs", "--litres", "4")
    limit = "import resource, runpy, sys; resource.setrlimit(resource.RLIMIT_FSIZE, (4096, 4096)); "
    code = (
        f"{limit}sys.argv[0] = 'clearwell'; runpy.run_module('bridge', run_name='__main__', alter_sys=False)"
    )
    done = run(sys.executable, "-c", code, *words, cwd=tmp_path, environ={"PYTHONPATH": str(CONFIG.parent)})
    assert done.status == 1
    message = one_message(done)
    assert "wait in memory" not in message
    assert "Nothing was written" in message


@pytest.mark.parametrize(("extra", "library"), [("page", "starlette"), ("modbus", "pymodbus")])
def test_check_warns_of_an_extra_that_is_not_installed(
    extra: str, library: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from bridge.doctor import see_machine

    real = see_machine.version_of
    monkeypatch.setattr(see_machine, "version_of", lambda name: None if name == library else real(name))
    file = tmp_path / "clearwell.toml"
    modbus = (CONFIG / "modbus-transmitters.toml").read_text("utf-8")
    file.write_text(modbus if extra == "modbus" else RIGHT + "\n[page]\n", "utf-8")
    done = clearwell("check", file)
    shown = " ".join(done.stdout.split())
    assert done.status == 0
    assert f"Warning: the extra '{extra}' is not installed ({library} missing)" in shown
    assert f"pip install '.[{extra}]'" in shown


def test_check_explains_where_the_page_is_and_whether_it_takes_commands(tmp_path: Path) -> None:
    file = tmp_path / "clearwell.toml"
    file.write_text(RIGHT + "\n[page]\nport = 8400\n", "utf-8")
    shown = " ".join(clearwell("check", file).stdout.split())
    assert "Address at http://127.0.0.1:8400/" in shown
    assert "Commands none: it only shows" in shown
    shown = " ".join(clearwell("check", file, CLEARWELL_PAGE__TOKEN="a-word-of-16-characters").stdout.split())
    assert "Commands from everybody who gives the token." in shown
    assert "a-word-of-16" not in shown
