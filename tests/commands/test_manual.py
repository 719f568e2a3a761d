"""README and manual are true: their tables agree with the program, and their commands run."""

import os
import re
import shutil
import signal
import sys
import tomllib
from pathlib import Path

import click
import pytest

from bridge.commands import main as cli
from bridge.display.manual_page import plain_text
from bridge.guard.alarms import Status
from bridge.guard.faults import FAULTS
from bridge.guard.model import Advisory, Permissive, Phase, Trip
from bridge.mqtt.commands import Accepted, Incoming, parse
from bridge.mqtt.properties import PROPERTIES
from bridge.mqtt.topics import Layout
from bridge.station.plan import StationIdentity
from tests.brokers import free_port
from tests.manual_tables import PART, renewed, sections
from tests.running import Finished, Running, clearwell_process, run

ROOT = Path(__file__).parents[2]
MANUAL = ROOT / "bridge" / "manual"
TOPICS = sorted(page.stem for page in MANUAL.glob("*.md"))
PAGES = [ROOT / "README.md", *sorted(MANUAL.glob("*.md")), ROOT / "config" / "INSTALL.md"]
README = (ROOT / "README.md").read_text("utf-8")
RUN = re.compile(r"<!-- run -->\n```sh\n(.*?)\n```", re.DOTALL)
TOML = re.compile(r"```toml\n(.*?)```", re.DOTALL)


def _name(page: Path) -> str:
    return str(page.relative_to(ROOT))


def _page(topic: str) -> str:
    return (MANUAL / f"{topic}.md").read_text("utf-8")


def _rows(topic: str, heading: str) -> dict[str, list[str]]:
    """Returns the first table under a heading of a page, by the first cell without its back-ticks."""
    section = re.split(rf"^#+ {heading}\n", _page(topic), maxsplit=1, flags=re.MULTILINE)[1]
    section = re.split(r"^#", section, maxsplit=1, flags=re.MULTILINE)[0]
    rows = [
        [cell.strip() for cell in line.strip("|").split("|")] for line in section.splitlines() if "|" in line
    ]
    return {row[0].strip("`"): row[1:] for row in rows if row[0].startswith("`")}


# --- the tables are the program's ---------------------------------------------------------------------


def test_every_fault_is_in_the_manual_with_the_programs_own_sentences() -> None:
    assert set(FAULTS) == {*Trip, *Advisory}
    written = _rows("faults", "Faults")
    assert written == {alarm.value: [fault.what, fault.did, fault.next] for alarm, fault in FAULTS.items()}
    # On the page, the first rows are the trips.
    assert list(written)[: len(Trip)] == [trip.value for trip in Trip]


def test_every_state_of_an_alarm_is_in_the_manual() -> None:
    assert set(_rows("faults", "The life of an alarm")) == {status.value for status in Status} - {"normal"}


def test_every_topic_is_in_the_manual() -> None:
    written = {
        node: set(re.findall(r"\*{0,2}`[a-z-]+`\*{0,2}", row[0]))
        for node, row in _rows("hub", "Topics").items()
    }
    there: dict[str, set[str]] = {}
    for row in PROPERTIES:
        there.setdefault(row.node, set()).add(f"**`{row.id}`**" if row.settable else f"`{row.id}`")
    assert written == there


def test_every_settable_property_is_in_the_manual_with_its_payload() -> None:
    assert set(_rows("hub", "Commands")) == {row.path for row in PROPERTIES if row.settable}


def test_every_payload_of_a_command_in_the_manual_is_accepted() -> None:
    layout = Layout("garden", "Garden")
    identity = StationIdentity(
        "barrel", "Barrel", 200.0, 50.0, 25.0, 0.5, True, True, True, needs_weather=True
    )
    for path, (payload, _) in _rows("hub", "Commands").items():
        words = re.findall(r"`([^`]+)`", payload) or ["12.5"]
        if "the id of" in payload:
            # The page of faults has the ids; its first rows are the trips.
            words += [one.value for one in (Trip if "a trip" in payload else (*Trip, *Advisory))]
        for word in words:
            message = Incoming(f"homie/5/garden-barrel/{path}/set", word.encode(), False, 1.0)
            read = parse(layout, {"garden-barrel": identity}, message)
            assert isinstance(read, Accepted), f"{path}: {read}"


def test_every_permissive_and_every_phase_is_in_the_manual() -> None:
    assert set(_rows("valve", "Permissives")) == {permissive.value for permissive in Permissive}
    assert set(_rows("valve", "Phases of a fill")) == {phase.value for phase in Phase}


def test_every_key_of_the_configuration_is_in_the_manual_as_the_model_has_it() -> None:
    page = _page("configuration")
    assert [name for name, _ in PART.findall(page)] == list(sections())
    assert page == renewed(page), "python -m tests.manual_tables writes the tables"


def test_every_command_is_in_the_manual() -> None:
    assert set(re.findall(r"^\| `clearwell (\w+)", _page("commands"), re.MULTILINE)) == set(cli.COMMANDS)


def test_the_fault_table_names_every_trip_and_only_existing_tests() -> None:
    page = (ROOT / "firmware_notes" / "faults.md").read_text("utf-8")
    assert {trip.value for trip in Trip} <= set(re.findall(r"`([a-z-]+)`", page))
    shown = re.findall(r"`(tests/[\w/]+\.py)(?:::(\w+))?`", page)
    assert len(shown) > 20
    for file, function in shown:
        text = (ROOT / file).read_text("utf-8")
        assert f"def {function}(" in text if function else "def test_" in text, f"{file} has no {function}"


# --- the commands run ---------------------------------------------------------------------------------


@pytest.mark.parametrize("name", list(cli.COMMANDS))
def test_every_command_explains_itself(name: str) -> None:
    done = _clearwell(name, "--help")
    assert done.status == 0
    assert "Usage:" in done.stdout


@pytest.mark.parametrize("page", PAGES, ids=_name)
def test_every_command_and_option_on_a_page_exists(page: Path) -> None:
    context = click.Context(cli.entry)
    for name, options in _command_lines(page.read_text("utf-8")):
        assert name in cli.COMMANDS, f"{_name(page)} has a command {name}"
        command = cli.entry.get_command(context, name)
        assert command is not None
        known = {text for one in command.params for text in (*one.opts, *one.secondary_opts)} | {"--help"}
        assert set(options) <= known, f"{_name(page)}: clearwell {name}"


def _command_lines(page: str) -> list[tuple[str, list[str]]]:
    """Returns each command on a page, in a shell block or in running text, with its options."""
    blocks = re.findall(r"```sh\n(.*?)\n```", page, re.DOTALL)
    written = [line for block in blocks for line in block.replace("\\\n", " ").splitlines()]
    written += re.findall(r"`([^`\n]*clearwell[^`\n]*)`", re.sub(r"```.*?```", "", page, flags=re.DOTALL))
    found = []
    for text in written:
        for name, rest in re.findall(r"(?<![\w-])(?<!for account in )clearwell ([a-z]+)\b([^;&>]*)", text):
            found.append((name, re.findall(r"(?<![\w-])--[a-z][a-z-]*", rest)))
    return found


def test_the_commands_of_every_page_are_checked() -> None:
    found = {name for page in PAGES for name, _ in _command_lines(page.read_text("utf-8"))}
    assert found == set(cli.COMMANDS)


@pytest.fixture
def clone(tmp_path: Path) -> Path:
    """A directory with the example configurations and the command, as in a clone."""
    shutil.copytree(ROOT / "config", tmp_path / "config")
    program = tmp_path / "bin" / "clearwell"
    program.parent.mkdir()
    program.write_text(f'#!/bin/sh\nPYTHONPATH={ROOT}:$PYTHONPATH exec {sys.executable} -m bridge "$@"\n')
    program.chmod(0o755)
    return tmp_path


def _environ(clone: Path) -> dict[str, str]:
    return {"PATH": f"{clone / 'bin'}:{os.environ['PATH']}"}


def _configuration(page: str) -> str:
    """Returns the configuration fragments of a page, completed by the smallest example."""
    pieces = "\n".join(TOML.findall(page))
    whole = "[reservoir.barrel]\n" in pieces
    return pieces if whole else (ROOT / "config" / "minimal.toml").read_text("utf-8") + "\n" + pieces


@pytest.mark.parametrize("page", [page for page in PAGES if TOML.search(page.read_text("utf-8"))], ids=_name)
def test_the_configuration_fragments_on_a_page_are_right(page: Path, clone: Path) -> None:
    config = clone / "clearwell.toml"
    config.write_text(_configuration(page.read_text("utf-8")), "utf-8")
    done = _clearwell("check", str(config))
    assert done.status == 0, done.stderr


@pytest.mark.parametrize("page", [page for page in PAGES if RUN.search(page.read_text("utf-8"))], ids=_name)
def test_the_commands_of_a_page_run(page: Path, clone: Path) -> None:
    text = page.read_text("utf-8")
    (clone / "clearwell.toml").write_text(_configuration(text), "utf-8")
    for block in RUN.findall(text):
        done = run("bash", "-euo", "pipefail", "-c", block, cwd=clone, environ=_environ(clone))
        assert done.status == 0, f"{block}\n{done.stderr}"
        assert done.stdout, block


def test_the_simulated_controller_of_the_readme_serves_the_daemon(clone: Path) -> None:
    (block,) = [
        block for block in re.findall(r"```sh\n(.*?)\n```", README, re.DOTALL) if "clearwell rig" in block
    ]
    shutil.copy(clone / "config" / "polytunnel.toml", clone / "clearwell.toml")
    # The port keeps the daemon from connecting to a broker of this machine.
    environ = {**_environ(clone), "CLEARWELL_HUB__PORT": str(free_port())}
    own_line = block.replace("/tmp/controller", str(clone / "controller"))
    with Running("bash", "-c", own_line, cwd=clone, environ=environ) as running:
        running.has_printed('"event": "controller-hello"')
        os.killpg(running.pid, signal.SIGTERM)
        running.ended()
    assert '"event": "stopped"' in running.printed
    assert "valve shut" in (clone / "truth.txt").read_text("utf-8")


def test_ci_runs_the_second_command_of_the_readme() -> None:
    two = re.findall(r"```sh\n(python3 -m venv \.venv .*?)\n```", README)
    assert len(two) == 2
    assert two[1] in (ROOT / ".ci" / "run").read_text("utf-8")


# --- the pages as a whole -----------------------------------------------------------------------------


def test_the_readme_is_short() -> None:
    assert len(README.splitlines()) < 200


@pytest.mark.parametrize("page", [*PAGES, ROOT / "DEVELOPERS.md"], ids=_name)
def test_every_link_has_a_target(page: Path) -> None:
    for target in re.findall(r"\]\(([^)#]+)[^)]*\)", page.read_text("utf-8")):
        assert target.startswith("https://") or (page.parent / target).exists(), target


def test_the_readme_links_to_every_page_of_the_manual() -> None:
    assert sorted(re.findall(r"\]\(bridge/manual/([a-z-]+)\.md\)", README)) == sorted(TOPICS)


def test_every_page_of_the_manual_is_in_the_package() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))
    patterns = project["tool"]["setuptools"]["package-data"]["bridge"]
    packed = {file for pattern in patterns for file in (ROOT / "bridge").glob(pattern)}
    assert packed >= set(MANUAL.iterdir())


OLD_TERMS_STAND_IN = ("changelog", "faults")
"""The one lists what was renamed; the other repeats the program's own sentences."""


@pytest.mark.parametrize("page", [page for page in PAGES if page.stem not in OLD_TERMS_STAND_IN], ids=_name)
def test_the_prose_has_no_term_that_was_replaced(page: Path) -> None:
    prose = re.sub(r"```.*?```|`[^`]*`", " ", page.read_text("utf-8"), flags=re.DOTALL)
    replaced = r"\b(senders?|advice|advised|give[sn]? out|draw-offs?)\b"
    assert re.findall(replaced, prose, re.IGNORECASE) == []


def test_the_cautions_are_in_the_readme() -> None:
    section = README.split("\n## Cautions\n", 1)[1].split("\n## ", 1)[0]
    for word in (
        "Low voltage only",
        "licensed electrician",
        "air gap",
        "overflow",
        "local plumbing code",
        "drink",
    ):
        assert word in section


# --- at the terminal ----------------------------------------------------------------------------------


def test_the_manual_lists_its_pages() -> None:
    done = _clearwell("manual")
    assert done.status == 0
    assert [line.split()[0] for line in done.stdout.splitlines()] == TOPICS


@pytest.mark.parametrize("topic", TOPICS)
def test_a_page_fits_the_terminal_and_keeps_its_words_and_its_code(topic: str) -> None:
    page = _page(topic)
    shown = plain_text(page, 60)
    code = [f"    {line}".rstrip() for block in re.findall(r"```\w*\n(.*?)```", page, re.DOTALL)
            for line in block.splitlines()]  # fmt: skip
    lines = shown.splitlines()
    assert {line.rstrip() for line in code} <= {line.rstrip() for line in lines}
    for line in lines:
        # One long word, such as a topic or an address, is never broken.
        assert len(line) <= 60 or line.rstrip() in code or len(line.split()) <= 2, line
    prose = re.sub(r"```.*?```|<!--.*?-->|\]\([^)]*\)|^\|[-|]+$", " ", page, flags=re.DOTALL | re.MULTILINE)
    words = set(re.findall(r"[A-Za-z]{3,}", prose))
    headings_of_narrow_tables = set(
        re.findall(r"[A-Za-z]{3,}", " ".join(re.findall(r"^\|.*\|\n(?=\|-)", page, re.MULTILINE)))
    )
    assert words - headings_of_narrow_tables <= set(re.findall(r"[A-Za-z]{3,}", shown))


def test_markdown_becomes_plain_text() -> None:
    page = (
        "# A **title**\n\nSee [hub](hub.md), [the hub](hub.md), [ours](../x.toml) and\n"
        "[theirs](https://a.example).\n\n"
        "<!-- run -->\n```sh\nclearwell check a_long_name_that_stays_on_one_line.toml\n\n"
        "clearwell log\n```\n\n"
        "- one `thing` that is long\n- two\n\n> **Caution.** Water.\n\n"
        "| a | b |\n|---|---|\n| `x\\|y` | why |\n"
    )
    assert plain_text(page, 30) == (
        "A title\n=======\n\n"
        'See "clearwell manual hub",\nthe hub ("clearwell manual\nhub"), ours and theirs\n(https://a.example).\n\n'
        "    clearwell check a_long_name_that_stays_on_one_line.toml\n\n    clearwell log\n\n"
        "- one thing that is long\n- two\n\n    Caution. Water.\n\nx|y\n    why\n"
    )


def test_an_unknown_topic_is_refused_with_the_list_of_topics() -> None:
    done = _clearwell("manual", "nonsense")
    assert done.status == 2
    assert "'nonsense'" in done.stderr
    assert all(f"'{topic}'" in done.stderr for topic in TOPICS)


def test_a_reader_who_closes_the_pipe_sees_no_traceback() -> None:
    command = f"{sys.executable} -m bridge manual simulate | head -n 1"
    done = run("bash", "-c", command, cwd=ROOT)
    assert done.stdout == "Simulated years\n"
    assert done.stderr == ""


def _clearwell(*arguments: str) -> Finished:
    return clearwell_process(*arguments, cwd=ROOT, environ={"COLUMNS": "80"})
