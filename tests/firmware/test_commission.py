"""``clearwell commission`` with the built board: the test answers the questions and lifts the floats."""

import os
import select
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from tests.firmware.emulator import Build, Emulator

PATIENCE_S = 30.0
CONFIG = """
[reservoir.barrel]
port = "{port}"
shape = {{ kind = "upright-cylinder", diameter_m = 0.58, height_m = 0.76 }}
product = {{ cell_constant_per_cm = 0.1 }}
feed = {{ cell_constant_per_cm = 1.0 }}
purifier = {{ drain_valve = true }}
[reservoir.barrel.level]
low_switch = true
full_switch = true
sensor = {{ table = [[0.05, 0.04], [0.95, 0.74]] }}
"""


class Session:
    """The command and its questions."""

    def __init__(self, config: Path, *more: str) -> None:
        self.process = subprocess.Popen(
            [sys.executable, "-m", "bridge", "commission", "--config", str(config), *more],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.STDOUT,
            env={**os.environ, "PYTHONUNBUFFERED": "1"},
        )  # fmt: skip
        self.said = ""
        self._seen = 0

    def question(self) -> str | None:
        """Returns the output up to the next question; None at the end."""
        assert self.process.stdout is not None
        end_s = time.monotonic() + PATIENCE_S
        while True:
            new = self.said[self._seen :]
            if new.rstrip(" ").endswith((":", "]:")) and (
                ("[Y/n]:" in new) or ("[y/N]:" in new) or "record:" in new
            ):
                self._seen = len(self.said)
                return new
            left_s = end_s - time.monotonic()
            assert left_s > 0, f"it neither asks nor ends: {self.said[-600:]}"
            if select.select([self.process.stdout], [], [], left_s)[0]:
                data = os.read(self.process.stdout.fileno(), 65536)
                if not data:
                    return None
                self.said += data.decode()

    def answer(self, text: str) -> None:
        assert self.process.stdin is not None
        self.process.stdin.write(text.encode() + b"\n")
        self.process.stdin.flush()

    def walk(self, act: Callable[[str], str]) -> int:
        while (question := self.question()) is not None:
            self.answer(act(question))
        return self.process.wait(PATIENCE_S)


@pytest.fixture
def paced(build: Build) -> Iterator[Emulator]:
    with Emulator(build, paced=True) as board:
        board.low(False)
        yield board


@pytest.fixture
def session(paced: Emulator, tmp_path: Path) -> Iterator[Session]:
    config = tmp_path / "clearwell.toml"
    config.write_text(CONFIG.format(port=paced.pty))
    one = Session(config, "--record", str(tmp_path / "record.txt"))
    yield one
    one.process.kill()
    one.process.communicate()


def person(board: Emulator, forgets: str = "") -> Callable[[str], str]:
    """Does what a question asks for and answers it, except a question that contains ``forgets``."""

    def act(question: str) -> str:
        if forgets and forgets in question:
            return "y"
        if "Unplug the product cell" in question:
            board.set_conductance(0.0)
        elif "Plug it in again" in question:
            board.set_conductance(5.0)
        for name, lift in (("low", board.low), ("full", board.full), ("overflow", board.overflow)):
            if f"Lift the {name} float now" in question:
                lift(True)
        if "Let it go" in question or "Let the float go" in question:
            board.low(False)
            board.full(False)
            board.overflow(False)
        return "Ada" if "Your name" in question else "y"

    return act


def test_whole_checklist_passes_on_a_good_board_and_is_recorded(
    paced: Emulator, session: Session, tmp_path: Path
) -> None:
    board, act = paced, person(paced)

    def at_the_float(question: str) -> str:
        answer = act(question)
        if "Take hold of the overflow float" in question:
            opened = len(board.valve_changes)
            session.answer(answer)
            assert board.wait_for(lambda: len(board.valve_changes) > opened and board.valve, PATIENCE_S)
            board.overflow(True)
            following = session.question()
            assert following is not None
            return at_the_float(following)
        return answer

    assert session.walk(at_the_float) == 0, session.said
    record = (tmp_path / "record.txt").read_text()
    assert "FAILED" not in record
    assert "NOT DONE" not in record
    for words in ("A lease of one second", "overflow float lifted", "kill test", "Done by Ada", "purifier-1"):
        assert words in record
    assert record.count("[  passed  ]") == 9 + 6
    held_s = [
        (shut.at_us - opened.at_us) / 1e6
        for opened, shut in zip(board.valve_changes[0::2], board.valve_changes[1::2], strict=True)
    ]
    assert len(held_s) == 3
    assert held_s[0] == pytest.approx(1.0, abs=0.05), "a lease of a second was not a second"
    assert held_s[2] == pytest.approx(3.0, abs=0.05), "the lapse was not that of the lease"
    assert not board.valve
    assert not board.drain


def test_float_that_does_not_work_fails_its_test_and_the_whole(
    paced: Emulator, session: Session, tmp_path: Path
) -> None:
    act = person(paced, forgets="Lift the full float now")

    def impatient(question: str) -> str:
        if "The valve will open" in question:
            return "n"
        return act(question)

    assert session.walk(impatient) == 1
    record = (tmp_path / "record.txt").read_text()
    assert "[  FAILED  ] The full float" in record
    assert "[  passed  ] The low float" in record
    assert "[ not done ]" in record
    assert not paced.valve_changes or not any(change.open for change in paced.valve_changes), (
        "the valve moved although nobody agreed to it"
    )


def test_nothing_is_opened_while_the_hand_valve_is_not_known_to_be_shut(
    paced: Emulator, session: Session
) -> None:
    assert session.walk(lambda _: "n") != 0
    assert not any(change.open for change in paced.valve_changes)
