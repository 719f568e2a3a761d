"""``clearwell commission`` with the built board: the test answers the questions and lifts the floats.

The board's time passes only while the command waits for it, so every second here is exact, also on a busy
machine. The command's own line to a controller is tested with ``calibrate``.
"""

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TypeVar

import pytest

from bridge.bench import commissioning
from bridge.protocol.messages import Ack, FromBridge, FromController, Identify, Refusal
from bridge.station.plan import StationPlan
from tests.firmware.emulator import Emulator
from tests.running import Finished, clearwell

M = TypeVar("M", bound=FromController)

STEP_MS = 10
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


class InSteps:
    """Replaces the command's line to a controller and its clock."""

    def __init__(self, board: Emulator) -> None:
        self._board = board
        self._seen = len(board.events)
        self._number = 0
        self.when_open: Callable[[], None] | None = None
        """What the person does as soon as the valve clicks."""

    def __call__(self, plan: StationPlan) -> "InSteps":
        return self

    def __enter__(self) -> "InSteps":
        return self

    def __exit__(self, *_: object) -> None:
        return

    def monotonic(self) -> float:
        return self._board.now_us / 1e6

    def send(self, make: Callable[[int], FromBridge]) -> int:
        self._number += 1
        self._board.send(make(self._number))
        return self._number

    def identify(self) -> None:
        self.send(Identify)

    def discard(self) -> None:
        self._seen = len(self._board.events)

    def wait(
        self, wanted: type[M], timeout_s: float, condition: Callable[[M], bool] = lambda _: True
    ) -> tuple[float, M] | None:
        for event in self._until(self.monotonic() + timeout_s):
            if isinstance(event, wanted) and condition(event):
                return self.monotonic(), event
        return None

    def reply(self, number: int, timeout_s: float) -> Ack | Refusal | None:
        for event in self._until(self.monotonic() + timeout_s):
            if isinstance(event, Ack | Refusal) and event.of == number:
                return event
        return None

    def _until(self, end_s: float) -> Iterator[object]:
        """Yields the board's events up to a time."""
        while self.monotonic() < end_s:
            if self._seen == len(self._board.events):
                self._step()
            else:
                self._seen += 1
                yield self._board.events[self._seen - 1]

    def _step(self) -> None:
        self._board.run(STEP_MS)
        if self._board.valve and self.when_open is not None:
            self.when_open()
            self.when_open = None


class Person:
    """Carries out each question's action and answers yes, except to a question that contains ``refuses``.

    To a question that contains ``forgets`` the person answers yes without any action.
    """

    def __init__(self, board: Emulator, bench: InSteps, *, forgets: str = "-", refuses: str = "-") -> None:
        self._board, self._bench = board, bench
        self._forgets, self._refuses = forgets, refuses

    def __call__(self, question: str) -> bool:
        board = self._board
        if self._refuses in question:
            return False
        if self._forgets in question:
            return True
        if "Unplug the product cell" in question:
            board.set_conductance(0.0)
        elif "Plug it in again" in question:
            board.set_conductance(5.0)
        elif "Take hold of the overflow float" in question:
            self._bench.when_open = lambda: board.overflow(True)
        for name, lift in (("low", board.low), ("full", board.full), ("overflow", board.overflow)):
            if f"Lift the {name} float now" in question:
                lift(True)
        if "Let it go" in question or "Let the float go" in question:
            board.low(False)
            board.full(False)
            board.overflow(False)
        return True


@pytest.fixture
def commission(
    board: Emulator, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> Callable[..., tuple[Finished, str]]:
    """Runs the checklist as a person who ``forgets`` or ``refuses`` a step. Returns end and record."""
    config, record = tmp_path / "clearwell.toml", tmp_path / "record.txt"
    config.write_text(CONFIG.format(port="/dev/no-such-line"))

    def walk(hand_valve: str = "y", **who: str) -> tuple[Finished, str]:
        bench = InSteps(board)
        monkeypatch.setattr("bridge.bench.Bench", bench)
        monkeypatch.setattr(commissioning, "time", bench)
        monkeypatch.setattr("bridge.commands.bench._ask", Person(board, bench, **who))
        by_hand = "y\n" * 6
        done = clearwell(
            "commission", "--config", config, "--record", record, answers=f"{hand_valve}\n{by_hand}Ada\n"
        )
        return done, record.read_text() if record.exists() else ""

    board.low(False)
    return walk


Commission = Callable[..., tuple[Finished, str]]


def test_whole_checklist_passes_on_a_good_board_and_is_recorded(
    board: Emulator, commission: Commission
) -> None:
    done, record = commission()
    assert done.status == 0, done.stdout + done.stderr
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


def test_float_that_does_not_work_fails_its_test_and_the_checklist(
    board: Emulator, commission: Commission
) -> None:
    done, record = commission(forgets="Lift the full float now", refuses="The valve will open")
    assert done.status == 1
    assert "[  FAILED  ] The full float" in record
    assert "[  passed  ] The low float" in record
    assert "[ not done ]" in record
    assert not any(change.open for change in board.valve_changes), (
        "the valve moved although nobody agreed to it"
    )


def test_no_valve_is_opened_until_the_hand_valve_is_confirmed_shut(
    board: Emulator, commission: Commission
) -> None:
    done, record = commission(hand_valve="n")
    assert (done.status, record) == (1, "")
    assert "not started" in done.stderr
    assert not any(change.open for change in board.valve_changes)
