"""The wheel and the sdist are whole, and the tested versions of the libraries fit the project."""

import re
import shutil
import subprocess
import sys
import tarfile
import tomllib
import zipfile
from email.parser import Parser
from pathlib import Path

import pytest
from packaging.markers import default_environment
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name
from packaging.version import Version

import bridge
from tests.install.conftest import ROOT
from tests.running import Finished, run

UV = Path(sys.executable).parent / "uv"
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))
CONSTRAINTS = [
    Requirement(line)
    for line in (ROOT / ".ci" / "constraints.txt").read_text("utf-8").splitlines()
    if line and not line.startswith("#")
]
PYTHONS = ("3.11", "3.12", "3.13", "3.14")
SOURCES = {
    str(file.relative_to(ROOT))
    for file in (ROOT / "bridge").rglob("*")
    if file.is_file() and "__pycache__" not in file.parts
}


def succeeded(done: Finished) -> str:
    assert done.status == 0, done.stderr
    return done.stdout


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A directory with the sdist, and with the wheel that was built from that sdist."""
    clone, out = tmp_path_factory.mktemp("clone"), tmp_path_factory.mktemp("built")
    for name in ("pyproject.toml", "README.md", "LICENSE"):
        shutil.copy(ROOT / name, clone)
    shutil.copytree(ROOT / "bridge", clone / "bridge", ignore=shutil.ignore_patterns("__pycache__"))
    succeeded(run(UV, "build", "--quiet", "--out-dir", out, clone))
    return out


@pytest.fixture(scope="module")
def wheel(built: Path) -> Path:
    (one,) = built.glob("*.whl")
    return one


def test_the_sdist_has_every_file_of_the_package_and_what_a_build_needs(built: Path) -> None:
    (file,) = built.glob("*.tar.gz")
    with tarfile.open(file) as archive:
        names = {name.partition("/")[2] for name in archive.getnames()}
    assert names >= SOURCES | {"pyproject.toml", "README.md", "LICENSE"}


def test_the_wheel_has_every_file_of_the_package_and_no_other(wheel: Path) -> None:
    assert {"bridge/py.typed", "bridge/manual/changelog.md", "bridge/web/static/index.html"} <= SOURCES
    with zipfile.ZipFile(wheel) as archive:
        names = {name for name in archive.namelist() if ".dist-info/" not in name}
    assert names == SOURCES


def test_the_installed_wheel_is_a_program_with_its_manual(wheel: Path, tmp_path: Path) -> None:
    succeeded(run(UV, "venv", "--quiet", "--python", sys.executable, tmp_path / "fresh"))
    python = tmp_path / "fresh" / "bin" / "python"
    succeeded(run(UV, "pip", "install", "--quiet", "--python", python, wheel))
    program = tmp_path / "fresh" / "bin" / "clearwell"
    home = {"HOME": str(tmp_path), "PYTHONPATH": ""}
    assert (
        succeeded(run(program, "--version", cwd=tmp_path, environ=home))
        == f"clearwell, version {bridge.__version__}\n"
    )
    assert "Keep a Changelog" in succeeded(run(program, "manual", "changelog", cwd=tmp_path, environ=home))
    checked = succeeded(run(program, "check", ROOT / "config" / "minimal.toml", cwd=tmp_path, environ=home))
    # A long path moves the end of its line.
    assert "is right. This is what the daemon will do." in " ".join(checked.split())
    where = succeeded(run(python, "-c", "import bridge; print(bridge.__file__)", cwd=tmp_path, environ=home))
    assert Path(where).is_relative_to(tmp_path)


def test_the_version_stands_in_one_place_and_the_changelog_has_it(wheel: Path) -> None:
    with zipfile.ZipFile(wheel) as archive:
        (name,) = [one for one in archive.namelist() if one.endswith(".dist-info/METADATA")]
        metadata = Parser().parsestr(archive.read(name).decode())
    assert metadata["Version"] == bridge.__version__
    assert metadata["Requires-Python"] == ">=3.11"
    named = PROJECT["tool"]["clearwell"]
    assert (ROOT / named["stability"]).exists()
    releases = re.findall(r"^## \[(\d[^]]*)\]", (ROOT / named["changelog"]).read_text("utf-8"), re.MULTILINE)
    assert releases[0] == bridge.__version__
    assert releases == sorted(releases, key=Version, reverse=True)
    elsewhere = run(
        "git", "grep", "-lF", f'"{bridge.__version__}"', "--", "bridge", "pyproject.toml", cwd=ROOT
    )
    assert elsewhere.stdout.split() in ([], ["bridge/__init__.py"])


def _required() -> list[Requirement]:
    project = PROJECT["project"]
    groups = [project["dependencies"], *project["optional-dependencies"].values()]
    own = canonicalize_name(project["name"])
    return [one for group in groups for one in map(Requirement, group) if canonicalize_name(one.name) != own]


@pytest.mark.parametrize("python", PYTHONS)
def test_the_tested_versions_fit_the_project_on_every_python(python: str) -> None:
    environment: dict[str, str] = {k: str(v) for k, v in default_environment().items()}
    environment |= {"python_version": python, "python_full_version": f"{python}.0"}
    environment |= {"sys_platform": "linux", "platform_machine": "x86_64", "extra": ""}

    def holds(one: Requirement) -> bool:
        return one.marker is None or one.marker.evaluate(environment)

    pins: dict[str, list[str]] = {}
    for pin in filter(holds, CONSTRAINTS):
        (specifier,) = pin.specifier
        assert specifier.operator == "==", f"{pin} is not one version"
        pins.setdefault(canonicalize_name(pin.name), []).append(specifier.version)
    assert {name: found for name, found in pins.items() if len(found) != 1} == {}
    for wanted in filter(holds, _required()):
        name = canonicalize_name(wanted.name)
        assert name in pins, f"{name} has no version in .ci/constraints.txt"
        assert wanted.specifier.contains(pins[name][0]), f"{name} {pins[name][0]} is not {wanted.specifier}"


def test_ci_uses_the_tested_versions_and_runs_the_supported_pythons() -> None:
    script = (ROOT / ".ci" / "run").read_text("utf-8")
    assert 'PIP_CONSTRAINT="$PWD/.ci/constraints.txt"' in script
    assert f'supported="{" ".join(PYTHONS)}"' in script


def ended(directory: Path, steps: str, python: str = "exit 0") -> tuple[int, list[str]]:
    """Runs the functions of CI's script with other steps. Returns the status and the lines of the summary.

    Args:
        directory: where the steps run.
        steps: lines of the shell.
        python: what the Python of the second chance does instead, in lines of the shell.
    """
    text = (ROOT / ".ci" / "run").read_text("utf-8")
    functions = text.split('\nnow="packages of the system"', 1)[0].replace('cd "$(dirname "$0")/.."', "")
    chance = text[text.index("most_unsteady=") : text.index("\nmain=")]
    own = directory / ".venv" / "bin" / "python"
    own.parent.mkdir(parents=True)
    own.write_text(f"#!/bin/sh\n{python}\n")
    own.chmod(0o755)
    script = directory / "run"
    script.write_text(f"{functions}\n{chance}\n{steps}\nfinished=yes\n")
    done = subprocess.run(["bash", script], cwd=directory, capture_output=True, text=True, check=False)
    _, summary = done.stdout.split("\nSummary\n")
    return done.returncode, [line.strip() for line in summary.splitlines()]


def test_the_summary_of_ci_names_what_ran_and_what_failed(tmp_path: Path) -> None:
    first = 'step "first" printf "a line\\n== 7 passed, 1 skipped ==\\n\\n"'
    status, lines = ended(tmp_path, f'{first}\nstep "second" sh -c "echo 1 broken; exit 1"\necho on')
    assert status == 1
    assert lines[0] == "first: 7 passed, 1 skipped [0 s]"
    assert lines[1] == "second: 1 broken [0 s]"
    assert lines[2] == "FAILED in: second"
    assert "on" not in lines


@pytest.mark.parametrize(
    ("failures", "python", "status", "said"),
    [
        (1, "echo 1 passed", 0, "UNSTEADY, passed only alone: tests/a.py::test_1"),
        (1, "echo 1 failed; exit 1", 1, "1 failed"),
        (4, "echo 4 passed", 1, "more failures than a busy machine explains"),
        (0, "echo 0 passed", 1, "more failures than a busy machine explains"),
    ],
)
def test_ci_runs_a_few_failed_tests_once_more_and_names_them(
    failures: int, python: str, status: int, said: str, tmp_path: Path
) -> None:
    text = (ROOT / ".ci" / "run").read_text("utf-8")
    begin = text.index('step "Python $main, all rooms"')
    printed = "".join(f"FAILED tests/a.py::test_{one} - it broke\\n" for one in range(1, failures + 1))
    suite = f'main=3\nsecond_command() {{ printf "{printed}end\\n"; return 1; }}\n'
    seen, lines = ended(tmp_path, suite + text[begin : text.index("\npaths=")], python)
    assert seen == status
    assert lines[0] == "Python 3, all rooms: end [0 s]"
    assert lines[1].startswith(f"the failed tests, once more and alone: {said}")
    assert ("everything passed" in lines) == (status == 0)
