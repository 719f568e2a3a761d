"""What people mistype: each mistake gives one message with its place and its remedy, and exit status 2."""

import shlex
from pathlib import Path

import pytest

from tests.running import Finished, clearwell

CONFIG = Path(__file__).parents[2] / "config"

TYPED = (
    # The command itself.
    ("chekc m.toml", "'chekc'", "Did you mean 'check'?"),
    ("whatever", "'whatever'", "'clearwell --help' lists the commands"),
    ("run --confg m.toml", "'--confg'", "Did you mean '--config'?"),
    ("run m.toml", "'--config'", "clearwell run --help'"),
    ("check", "'FILE'", "clearwell check --help'"),
    ("check m.toml p.toml", "(p.toml)", "clearwell check --help'"),
    ("check m.tml", "m.tml: there is no such file", "give the path of a configuration"),
    ("check .", ".: is not a file", "give the path of a configuration"),
    ("check notes.txt", "notes.txt: this is not TOML", "at end of document"),
    ("manual nonsense", "'nonsense'", "'glossary'"),
    ("completion tcsh", "'tcsh'", "'bash'"),
    # Setup.
    ("setup --answers none.toml", "--answers none.toml", "clearwell setup --template prints one"),
    ("setup --answers m.toml --out x.toml", "m.toml: reservoir", "--template' lists all keys"),
    ("setup --answers m.toml --out m.toml", "--out m.toml: the file is there", "--force"),
    ("setup --answers notes.txt --out no/x.toml", "there is no directory no", "create it"),
    # A reading by hand.
    ("sample", "none of them", "Give one reading: --conductivity"),
    ("sample --conductivity 38", "--conductivity", "needs --temperature"),
    ("sample --conductivity 38 --temperature 54", "54 °C", "did you mean Fahrenheit? Then write '54 F'"),
    ("sample --conductivity 38 --temperature warm", "'--temperature': 'warm'", "such as '10 °C'"),
    ("sample --conductivity 38 --temperature '12 K'", "'K'", "must be one of C, F"),
    ("sample --conductivity 3,8 --temperature 12", "'--conductivity': '3,8'", "write a decimal point: '3.8'"),
    ("sample --conductivity '38 ppm' --temperature 12", "'ppm'", "must be one of uS/cm, mS/cm"),
    ("sample --conductivity -3 --temperature 12", "-3.0 µS/cm", "must be zero or more"),
    ("sample --ppm 12 --conductivity 3 --temperature 12", "--conductivity and --ppm", "Give one reading"),
    ("sample --conductance 3 --temperature 12", "--conductance", "needs --cell-constant"),
    ("sample --config m.toml --conductivity 38 --temperature 12", "a sample of?", "Give --of"),
    ("sample --config m.toml --of rain --ppm 3 --at yesterday", "--at yesterday", "such as 2026-07-04T08:00"),
    ("sample --config m.toml --of rain --ppm 3 --at 1.11.2026", "--at 1.11.2026", "such as 2026-07-04T08:00"),
    ("sample --config m.toml --of nosuch --litres 4", "--litres", "[shelf.<id>]"),
    ("sample --config jugs.toml --of jugs --took '9 us-gal'", "jugs has 15.14 L", "with --left"),
    # Forecast, sources, report.
    ("forecast", "a source is missing", "give --config"),
    ("forecast --trace t.csv", "--trace needs --capacity-grams", "give it too"),
    ("forecast --trace t.csv --capacity-grams -3 --limit 25", "--capacity-grams is -3", "above zero"),
    ("sources --feed 320 --need 10", "--water-price, --energy-price", "give --config"),
    ("sources --feed hard --need 10 --water-price 1 --energy-price 1", "--feed: 'hard'", "such as '10 ppm'"),
    ("report --out x.doc --log none.db", "--out x.doc", "must end in .html or .pdf"),
    ("report --out x.html", "no log is given", "--log with its file"),
    # The log.
    ("log", "which log?", "--log with its file"),
    ("log --log none.db", "none.db: there is no such file", "give the log that the daemon writes"),
    ("log --log notes.txt", "notes.txt: this is no log", "give the file that the daemon writes"),
    ("log --log notes.txt --kind alrm", "'alrm'", "'alarm'"),
    ("export --log notes.txt --out x.csv --format xls", "'xls'", "'csv'"),
    ("backup --out x.db", "which configuration?", "Give its file"),
    ("restore notes.txt m.toml", "notes.txt: this is no log", "give one that clearwell backup made"),
    # The hardware.
    ("calibrate --config m.toml --standard 85x", "'85x'", "the standards are 84"),
    ("calibrate --config m.toml --standard 84 --conductance 840", "--temperature", "must be given too"),
    ("calibrate --config m.toml --standard 84 --conductance 840 --temperature 77", "77.0 °C", "write '77 F'"),
    ("calibrate --config m.toml --cell feed --standard 84", "--cell feed", "no feed cell"),
    ("calibrate --config two.toml --standard 84", "--reservoir: which one?", "north-tank, south-butt"),
    ("commission --config m.toml --reservoir nosuch", "--reservoir nosuch", "give barrel"),
    ("commission --config byhand.toml", "no reservoir with a controller", "add a table [reservoir.<id>]"),
    # The broker and the simulation.
    ("watch m.toml", "m.toml: there is no table [hub]", "add one with the broker's host"),
    ("watch --port 70000", "'--port': 70000", "1<=x<=65535"),
    ("watch --prefix a/b --once", "'a/b'", "for example 'homie'"),
    ("demo --broker nohost", "--broker 'nohost'", "give HOST:PORT"),
    ("rig --pty c --level 45", "--level 45", "such as 0.45"),
    ("rig --pty c --scenario moon", "--scenario 'moon'", "the scenarios are polytunnel"),
    ("rig --pty m.toml", "m.toml", "give a free name"),
    ("rig --pty c --speed 0", "speed 0", "above 0"),
    ("simulate --years -1", "--years -1", "such as 3 or 0.25"),
)  # fmt: skip
"""What is typed, the place that the message names, and the remedy that it gives."""


@pytest.fixture(scope="module")
def desk(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A directory with configurations, an own log, and a file that is neither."""
    folder = tmp_path_factory.mktemp("desk")
    for name, example in (("m", "minimal"), ("p", "polytunnel"), ("two", "membrane-with-drain")):
        (folder / f"{name}.toml").write_bytes((CONFIG / f"{example}.toml").read_bytes())
    (folder / "notes.txt").write_text("hello")
    (folder / "t.csv").write_text("litres,ppm\n1,2\n")
    shelf = "[shelf.jugs]\nname = 'Jugs'\n"
    (folder / "byhand.toml").write_text("[log]\nenabled = false\n" + shelf)
    (folder / "jugs.toml").write_text(shelf)
    done = clearwell("sample", "--config", folder / "jugs.toml", "--of", "jugs", "--litres", "4 us-gal")
    assert done.status == 0, done.stderr
    return folder


def one_message(done: Finished) -> str:
    """Returns the one message of a command, with nothing beside it."""
    assert "Traceback" not in done.stderr
    assert done.stdout == ""
    lines = [line for line in done.stderr.splitlines() if line.startswith(("clearwell: ", "Error: "))]
    assert len(lines) == 1, done.stderr
    # Apart from the usage that click puts above it, the message is the last line.
    assert done.stderr.splitlines()[-1] == lines[0]
    return done.stderr


@pytest.mark.parametrize(("typed", "place", "remedy"), TYPED, ids=[row[0] for row in TYPED])
def test_a_typed_mistake_gives_one_message_with_place_and_remedy(
    desk: Path, monkeypatch: pytest.MonkeyPatch, typed: str, place: str, remedy: str
) -> None:
    monkeypatch.chdir(desk)
    done = clearwell(*shlex.split(typed))
    message = one_message(done)
    assert done.status == 2
    assert place in message
    assert remedy in message


def test_the_table_has_fifty_mistakes_of_every_command() -> None:
    assert len(TYPED) >= 50
    assert len({typed for typed, _, _ in TYPED}) == len(TYPED)


def test_a_quantity_is_accepted_in_the_unit_of_the_meter(desk: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(desk)
    shown = [
        clearwell("sample", *shlex.split(words)).stdout
        for words in (
            "--conductivity 30 --temperature 25",
            "--conductivity '0.03 mS' --temperature '77 F'",
            "--conductivity '30 µS/cm' --temperature '25 °C'",
        )
    ]
    assert shown[0]
    assert len(set(shown)) == 1
    # NIST SP 811: a grain is 64.79891 mg and a US gallon is 3.785411784 L.
    assert "8.56 ppm" in clearwell("sample", "--ppm", "0.5 gpg", "--compensated").stdout
    bench = ("calibrate", "--config", "m.toml", "--standard", "84", "--yes")
    celsius, fahrenheit = (
        clearwell(*bench, "--conductance", us, "--temperature", t).stdout.split("\nOffset")[0]
        for us, t in (("840", "25"), ("0.84 mS", "77 F"))
    )
    assert "Cell constant  0.1 cm⁻¹" in celsius
    assert celsius == fahrenheit


def test_a_sample_before_the_first_run_is_judged_and_the_message_says_that_it_is_not_kept(
    desk: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "m.toml").write_bytes((desk / "m.toml").read_bytes())
    typed = "sample --config m.toml --of reservoir --conductivity 8 --temperature 20"
    done = clearwell(*shlex.split(typed))
    assert done.status == 2
    assert "Verdict                marginal" in done.stdout
    assert "not kept" in done.stderr


def test_a_question_answered_with_no_is_no_mistake(desk: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(desk)
    done = clearwell("commission", "--config", "m.toml", answers="n\n")
    assert done.status == 1
    assert "not started" in done.stderr


def test_a_log_without_a_forecast_is_no_mistake(desk: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(desk)
    done = clearwell("forecast", "--log", "clearwell.db")
    assert done.status == 1
    assert "no forecast is kept there yet" in one_message(done)
