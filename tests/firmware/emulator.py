"""The reference firmware on an emulated chip, for tests: its line is the pseudo-terminal ``emulator.pty``.

The emulator has two modes. In steps, time passes only in :meth:`Emulator.run`, so a test is exact and fast::

    with Emulator(build) as board:
        board.set_conductance(5.0)
        board.send(Lease(1, Flow.TO_RESERVOIR, 4000))
        board.run(500)
        board.valve            # True
        board.valve_changes    # [Change(at_us=..., open=True)]

With ``Emulator(build, paced=True)``, time has the pace of the wall clock, for a program at the other end of
``board.pty``. In this mode do not use :meth:`run`, :meth:`send` and :attr:`events`: the line belongs to that
program.

All times are microseconds of the emulated clock since power-on. :func:`build_all` names the built programs
and their tools; ``harness/main.c`` lists the commands of the harness.
"""

import math
import os
import select
import shutil
import subprocess
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path as File
from typing import TypeVar

from bridge.protocol.codec import Damaged, Decoder, Direction, Ignored, encode
from bridge.protocol.messages import FromBridge, FromController
from tests.waiting import DEADLINE_S

M = TypeVar("M")

HERE = File(__file__).parent
SOURCES = HERE.parents[1] / "firmware_notes" / "firmware"

# Resistance of a common 10 kilohm thermistor by temperature; table values from memory.
THERMISTOR_OHM = {
    -10: 55330.0, 0: 32650.0, 5: 25390.0, 10: 19900.0, 15: 15710.0, 20: 12490.0,
    25: 10000.0, 30: 8057.0, 35: 6531.0, 40: 5327.0, 50: 3603.0,
}  # fmt: skip
SENDER_OHM = (10.0, 180.0)

NEEDED = {
    "make": "make",
    "gcc": "gcc",
    "avr-gcc": "gcc-avr",
    "avr-objcopy": "binutils-avr",
}
NEEDED_FILES = {
    "/usr/lib/avr/include/avr/io.h": "avr-libc",
    "/usr/include/simavr/sim_avr.h": "libsimavr-dev",
}


@dataclass(frozen=True, slots=True)
class Build:
    """The programs under test."""

    elf: File
    harness: File
    library: File
    fuzz: File
    size_line: str
    """The use of flash and RAM that the build reports."""


@dataclass(frozen=True, slots=True)
class Change:
    """A valve pin that changed; ``open`` is also true for a pin that is only pulled up."""

    at_us: int
    open: bool
    pulled: bool = False


@dataclass(frozen=True, slots=True)
class Reset:
    at_us: int
    cause: str


def missing_tools() -> str:
    """Returns a sentence that names the Debian packages to install; empty if none is missing."""
    packages = {package for tool, package in NEEDED.items() if shutil.which(tool) is None}
    packages |= {package for name, package in NEEDED_FILES.items() if not File(name).exists()}
    if not packages:
        return ""
    names = " ".join(sorted(packages))
    return f"The firmware cannot be built and emulated here: install the Debian packages {names}."


def build_all(into: File, **settings: str) -> Build:
    """Builds firmware, harness and host library into a directory.

    ``settings`` go to make, as ``FITTED="88"``. Raises RuntimeError with a sentence when a tool is missing
    or the build fails.
    """
    if sentence := missing_tools():
        raise RuntimeError(sentence)
    firmware = into / "firmware"
    make = ["make", "-s", "-j2", "-C", str(SOURCES), f"BUILD={firmware}", "avr", "host"]
    said = _tool([*make, *(f"{name}={value}" for name, value in settings.items())])
    harness = into / "harness"
    names = [str(HERE / "harness" / name) for name in ("main.c", "chip.c", "ear.c", "circuit.c")]
    warn = ["-Wall", "-Wextra", "-Werror"]
    _tool(["gcc", "-std=gnu11", "-O2", *warn, "-o", str(harness), *names, "-lsimavr", "-lutil", "-lm"])
    size = next(line for line in said.splitlines() if line.startswith("flash "))
    return Build(firmware / "controller.elf", harness, firmware / "libcontroller.so", firmware / "fuzz", size)


def _tool(command: list[str]) -> str:
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if done.returncode != 0:
        raise RuntimeError(f"{command[0]} failed:\n{done.stdout}{done.stderr}")
    return done.stdout


def thermistor_ohm(celsius: float) -> float:
    """Interpolates the logarithm linearly in 1/T between the points of the table."""
    points = sorted(THERMISTOR_OHM)
    low = max((p for p in points if p <= celsius), default=points[0])
    high = min((p for p in points if p > celsius), default=points[-1])
    if low == high:
        return THERMISTOR_OHM[low]
    place = (1 / (celsius + 273.15) - 1 / (low + 273.15)) / (1 / (high + 273.15) - 1 / (low + 273.15))
    ends = math.log(THERMISTOR_OHM[low]), math.log(THERMISTOR_OHM[high])
    return math.exp(ends[0] + place * (ends[1] - ends[0]))


class Emulator:
    """One board with its power on. Use it as a context manager, or call :meth:`stop`."""

    def __init__(self, build: Build, paced: bool = False) -> None:
        self.valve_changes: list[Change] = []
        self.drain_changes: list[Change] = []
        self.resets: list[Reset] = []
        self.line_ends_us: list[int] = []
        """Times at which line ends reached the board's receiver."""
        self.frames_us: list[int] = []
        """Times at which the board began to send a frame."""
        self.events: list[FromController | Damaged | Ignored] = []
        """Messages from the board, decoded by the bridge's own codec."""
        self.raw = bytearray()
        self.now_us = 0
        self.pty = ""
        self._line = -1
        self._answers: list[str] = []
        self._news = threading.Condition()
        self._decoder: Decoder[FromController] = Decoder(Direction.TO_BRIDGE)
        self._process = subprocess.Popen(
            [str(build.harness), str(build.elf)],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, bufsize=1,
        )  # fmt: skip
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()
        with self._news:
            self._news.wait_for(lambda: bool(self.pty and self.resets), DEADLINE_S)
        if not paced:
            self._line = os.open(self.pty, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
        self.command(f"pace {int(paced)}")

    def __enter__(self) -> "Emulator":
        return self

    def __exit__(self, *exc: object) -> None:
        self.stop()

    def stop(self) -> None:
        """Switches the power off."""
        assert self._process.stdin is not None
        self._process.stdin.close()
        self._process.wait(DEADLINE_S)
        self._reader.join(DEADLINE_S)
        if self._process.stdout is not None:
            self._process.stdout.close()
        if self._line >= 0:
            os.close(self._line)
            self._line = -1

    # ---------------------------------------------------------------- the wiring of the board

    def set_conductance(self, product_us: float) -> None:
        """Sets the conductance of the product cell, µS; 0 is unplugged."""
        self.command(f"product {product_us!r}")

    def set_feed_conductance(self, feed_us: float) -> None:
        self.command(f"feed {feed_us!r}")

    def set_temperature(self, celsius: float) -> None:
        """Sets the temperature at both cells, -10 to 50 °C."""
        ohm = thermistor_ohm(celsius)
        self.command(f"thermistor {ohm!r}")
        self.command(f"feedthermistor {ohm!r}")

    def set_level(self, fraction: float) -> None:
        """Sets the position of the level sensor's float, 0 to 1."""
        self.command(f"sender {SENDER_OHM[0] + fraction * (SENDER_OHM[1] - SENDER_OHM[0])!r}")

    def overflow(self, up: bool) -> None:
        self.command(f"float overflow {int(up)}")

    def full(self, up: bool) -> None:
        self.command(f"float full {int(up)}")

    def low(self, water: bool) -> None:
        self.command(f"float low {int(water)}")

    def set_supply(self, volt: float) -> None:
        """Sets the supply of the valves; without it the overflow float reads up."""
        self.command(f"supply {volt!r}")

    # ---------------------------------------------------------------- the outputs of the board

    @property
    def valve(self) -> bool:
        """Whether the pin of the fill valve is high."""
        return bool(self.valve_changes) and self.valve_changes[-1].open

    @property
    def drain(self) -> bool:
        return bool(self.drain_changes) and self.drain_changes[-1].open

    def wait_for(self, condition: Callable[[], bool], timeout_s: float = DEADLINE_S) -> bool:
        """Waits for ``condition()``, which is evaluated after each event of the board; for paced runs."""
        with self._news:
            return self._news.wait_for(condition, timeout_s)

    # ---------------------------------------------------------------- running in steps

    def run(self, milliseconds: float) -> list[FromController | Damaged | Ignored]:
        """Runs for this emulated time; returns the messages from the board."""
        before = len(self.events)
        self.command(f"run {milliseconds!r}")
        return self.events[before:]

    def send(self, *messages: FromBridge) -> None:
        """Puts frames on the line; the board receives them when time runs."""
        self.send_bytes(b"".join(encode(message) for message in messages))

    def send_bytes(self, data: bytes) -> None:
        while data:
            select.select([], [self._line], [], DEADLINE_S)
            data = data[os.write(self._line, data) :]

    def last(self, kind: type[M]) -> M:
        """Returns the last message of this class."""
        return next(event for event in reversed(self.events) if isinstance(event, kind))

    def command(self, text: str, timeout_s: float = DEADLINE_S) -> str:
        """Sends a command to the harness and waits for ``ok``; returns the line before it, if any."""
        assert self._process.stdin is not None
        self._process.stdin.write(text + "\n")
        self._process.stdin.flush()
        end = time.monotonic() + timeout_s
        while True:
            self._hear()
            with self._news:
                self._news.wait_for(lambda: bool(self._answers), 0.002 if self._line >= 0 else 0.1)
                if self._answers and self._answers[-1].split(" ")[0] in ("ok", "wrong"):
                    answers, self._answers = self._answers, []
                    break
            if time.monotonic() > end or self._process.poll() is not None:
                raise RuntimeError(f"The emulator did not answer {text!r}.")
        self._hear()
        word, rest = answers[-1].split(" ", 1)
        if word == "wrong":
            raise ValueError(f"The emulator does not know {text!r}.")
        self.now_us = int(rest)
        return answers[0] if len(answers) > 1 else ""

    def _hear(self) -> None:
        while self._line >= 0 and select.select([self._line], [], [], 0)[0]:
            data = os.read(self._line, 65536)
            self.raw += data
            self.events.extend(self._decoder.feed(data))

    def _read(self) -> None:
        assert self._process.stdout is not None
        for line in self._process.stdout:
            with self._news:
                self._take(line.split())
                self._news.notify_all()

    def _take(self, words: list[str]) -> None:
        match words:
            case ["pty", path]:
                self.pty = path
            case ["valve" | "drain" as name, state, at]:
                changes = self.valve_changes if name == "valve" else self.drain_changes
                changes.append(Change(int(at), state != "0", state == "p"))
            case ["reset", cause, at]:
                self.resets.append(Reset(int(at), cause))
            case ["lf", at]:
                self.line_ends_us.append(int(at))
            case ["frame", at]:
                self.frames_us.append(int(at))
            case [("ok" | "wrong" | "charge" | "stack"), *_]:
                self._answers.append(" ".join(words))
