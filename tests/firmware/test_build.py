"""The limits of the program that `make` checks."""

import re
import subprocess
from pathlib import Path as File

import pytest

from tests.firmware.emulator import SOURCES, Build, Emulator, missing_tools


def make(tmp_path: File, *arguments: str) -> subprocess.CompletedProcess[str]:
    command = ["make", "-s", "-C", str(SOURCES), f"BUILD={tmp_path}", *arguments]
    return subprocess.run(command, capture_output=True, text=True, check=False)


def test_program_fits_into_24_kib_of_flash_and_1536_bytes_of_ram(build: Build) -> None:
    flash, most_flash, ram, most_ram = (int(n) for n in re.findall(r"(\d+)", build.size_line)[:4])
    assert (most_flash, most_ram) == (24 * 1024, 1536)
    assert 8000 < flash <= most_flash
    assert 800 < ram <= most_ram


def test_build_fails_with_a_sentence_when_the_program_is_too_large(build: Build, tmp_path: File) -> None:
    done = make(tmp_path, "avr", "MOST_FLASH=9000")
    assert done.returncode != 0
    assert "too large" in done.stdout
    assert not (tmp_path / "controller.elf").exists()


@pytest.mark.parametrize(
    ("setting", "says"),
    [
        ("BOARD_ID=a-name-of-more-than-24-characters", "1 to 24 characters"),
        ("FITTED=128", "bits from 1 to 64"),
    ],
)
def test_build_refuses_an_impossible_setting(build: Build, tmp_path: File, setting: str, says: str) -> None:
    done = make(tmp_path, "avr", setting)
    assert done.returncode != 0
    assert says in done.stderr


def test_deepest_stack_stays_below_the_reserve_of_the_build(board: Emulator) -> None:
    stack = re.search(r"^STACK = (\d+)$", (SOURCES / "Makefile").read_text(), re.MULTILINE)
    assert stack is not None
    counted = int(stack[1])
    board.set_conductance(1900.0)
    board.send_bytes(b"<1 5 lease ms=9000 x=" + b"y" * 70 + b"*00000000\n")
    board.run(2000)
    board.command("random 20000 3 0")
    deepest = int(board.command("stack").split()[1])
    assert 100 < deepest <= counted


def test_missing_tools_are_named_with_their_packages(tmp_path: File, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PATH", str(tmp_path))
    assert "install the Debian packages binutils-avr gcc gcc-avr make" in missing_tools()
