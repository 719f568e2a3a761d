"""Completion of commands, options and values by the tab key, run in the shells themselves."""

import json
import os
import sys
from pathlib import Path

import pytest

from bridge.commands.main import COMMANDS
from tests.install.conftest import ROOT
from tests.running import clearwell, run

HEAVY = {"pydantic", "pydantic_settings", "aiomqtt", "paho", "serial", "structlog", "sqlite3", "asyncio"}
"""What a person who waits for a completion should not wait for."""
QUESTIONS = {
    ("clearwell", ""): set(COMMANDS),
    ("clearwell", "ba"): {"backup"},
    ("clearwell", "export", "--f"): {"--format", "--from", "--force"},
    ("clearwell", "export", "--format", ""): {"csv", "senml"},
    ("clearwell", "completion", ""): {"bash", "zsh", "fish"},
    ("clearwell", "doctor", "--j"): {"--json"},
}


@pytest.fixture
def program(tmp_path: Path) -> Path:
    """A directory with the program under its installed name."""
    one = tmp_path / "bin" / "clearwell"
    one.parent.mkdir()
    one.write_text(
        f"#!{sys.executable}\nimport sys\nsys.path.insert(0, {str(ROOT)!r})\n"
        "from bridge.commands.main import main\nmain()\n"
    )
    one.chmod(0o755)
    return one.parent


def asked(shell: str, script: str, program: Path) -> list[str]:
    """Returns the output of a shell for a script."""
    done = run(
        shell,
        *(("--norc", "-c") if shell == "bash" else ("-c",)),
        script,
        environ={"PATH": f"{program}:{os.environ['PATH']}", "HOME": str(program)},
    )
    assert done.status == 0, done.stderr
    assert done.stderr == ""
    return done.stdout.splitlines()


def written(shell: str, where: Path) -> Path:
    done = clearwell("completion", shell)
    assert done.status == 0
    script = where / f"clearwell.{shell}"
    script.write_text(done.stdout)
    return script


def test_bash_completes_commands_options_values_and_files(program: Path) -> None:
    script = written("bash", program)
    lines = [f"source {script}", "complete -p clearwell >/dev/null"]
    for words in QUESTIONS:
        quoted = " ".join(f"'{word}'" for word in words)
        lines += [
            f"COMP_WORDS=({quoted}); COMP_CWORD={len(words) - 1}; COMPREPLY=()",
            '_clearwell_completion clearwell "${COMP_WORDS[-1]}" && echo "${COMPREPLY[*]}"',
        ]
    for words, line in zip(QUESTIONS, asked("bash", "\n".join(lines), program), strict=True):
        assert set(line.split()) == QUESTIONS[words], words


@pytest.mark.needs("zsh")
def test_zsh_completes_commands_options_and_values(program: Path) -> None:
    """In an interactive zsh these functions draw the list. Here they print the list."""
    script = written("zsh", program)
    lines = [
        "compdef() { : }",
        '_describe() { local -a shown; shown=("${(@P)3}"); print -rn -- "${shown[@]%%:*} " }',
        'compadd() { print -rn -- "${(@P)@[-1]} " }',
        f"source {script}",
    ]
    for words in QUESTIONS:
        quoted = " ".join(f"'{word}'" for word in words)
        lines += [f"words=({quoted}); CURRENT={len(words)}", "_clearwell_completion; print"]
    for words, line in zip(QUESTIONS, asked("zsh", "\n".join(lines), program), strict=True):
        assert set(line.split()) == QUESTIONS[words], words


@pytest.mark.needs("fish")
def test_fish_completes_commands_options_and_values(program: Path) -> None:
    script = written("fish", program)
    lines = [f"source {script}"]
    for words in QUESTIONS:
        lines += [f"complete -C '{' '.join(words)}'", "echo ."]
    said = "\n".join(asked("fish", "\n".join(lines), program)).split("\n.")
    assert len(said) >= len(QUESTIONS), said
    for words, part in zip(QUESTIONS, said, strict=False):
        assert {line.split("\t")[0] for line in part.strip().splitlines()} == QUESTIONS[words], words


def test_completion_imports_no_heavy_module(program: Path) -> None:
    told = (
        "import atexit, json, sys; sys.argv[0] = 'clearwell'; "
        "atexit.register(lambda: print(json.dumps(sorted(sys.modules)), file=sys.stderr)); "
        "from bridge.commands.main import main; main()"
    )
    for words in QUESTIONS:
        done = run(
            sys.executable,
            "-c",
            told,
            cwd=ROOT,
            environ={
                "_CLEARWELL_COMPLETE": "bash_complete",
                "COMP_WORDS": " ".join(words),
                "COMP_CWORD": str(len(words) - 1),
            },
        )
        assert done.status == 0, done.stderr
        assert {line.split(",", 1)[1] for line in done.stdout.splitlines()} == QUESTIONS[words]
        assert set(json.loads(done.stderr)) & HEAVY == set(), words


def test_an_unknown_shell_is_refused_with_the_list_of_shells() -> None:
    done = clearwell("completion", "cmd")
    assert done.status == 2
    assert "'bash', 'zsh', 'fish'" in done.stderr
