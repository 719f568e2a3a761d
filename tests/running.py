"""Runs ``clearwell`` inside this process, or in a process of its own."""

import codecs
import contextlib
import os
import re
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from signal import SIGKILL, SIGTERM, Signals
from unittest import mock

import pytest
from click.testing import CliRunner

from bridge.commands import main as cli
from tests.waiting import DEADLINE_S

CLEARWELL = (sys.executable, "-m", "bridge")


@dataclass(frozen=True, slots=True)
class Finished:
    """A command that has ended."""

    status: int
    stdout: str
    stderr: str


def clearwell(*words: object, answers: str = "", **environ: str) -> Finished:
    """Runs a command inside this process, as a person types it.

    Args:
        words: The words after the program's name.
        answers: The text that is typed at its questions.
        environ: Variables to add to the environment.
    """
    return _in_process(words, answers, environ, is_terminal=False)


def on_terminal(columns: int, *words: object) -> Finished:
    """Runs a command inside this process, on a terminal of so many columns."""
    return _in_process(words, "", {"COLUMNS": str(columns)}, is_terminal=True)


def _in_process(
    words: Sequence[object], answers: str, environ: Mapping[str, str], *, is_terminal: bool
) -> Finished:
    status: object = 0
    with (
        CliRunner().isolation(input=answers, env=environ) as (out, err, _),
        mock.patch.object(sys, "argv", ["clearwell", *map(str, words)]),
    ):
        if is_terminal:
            for stream in (sys.stdout, sys.stderr):
                stream.isatty = lambda: True  # type: ignore[method-assign]
        try:
            cli.main()
        except SystemExit as end:
            status = end.code
        sys.stdout.flush()
        sys.stderr.flush()
        stdout, stderr = out.getvalue().decode(), err.getvalue().decode()
    assert isinstance(status, int)
    return Finished(status, stdout, stderr)


def succeeds(*words: object, answers: str = "") -> str:
    """Runs a command inside this process that must succeed, and returns its standard output."""
    done = clearwell(*words, answers=answers)
    assert done.status == 0, done.stderr or done.stdout
    return done.stdout


def refused(*words: object) -> str:
    """Runs a command inside this process that must refuse its input, and returns the message."""
    done = clearwell(*words)
    assert (done.status, done.stdout) == (2, "")
    return done.stderr


def run(
    *command: object, cwd: Path | None = None, answers: str = "", environ: Mapping[str, str] | None = None
) -> Finished:
    """Runs any program to its end."""
    done = subprocess.run(
        [str(word) for word in command],
        cwd=cwd,
        input=answers,
        env={**os.environ, **(environ or {})},
        capture_output=True,
        text=True,
        check=False,
        timeout=DEADLINE_S,
    )
    return Finished(done.returncode, done.stdout, done.stderr)


def clearwell_process(
    *words: object, cwd: Path | None = None, answers: str = "", environ: Mapping[str, str] | None = None
) -> Finished:
    """Runs a command to its end in a process of its own."""
    return run(*CLEARWELL, *words, cwd=cwd, answers=answers, environ=environ)


class Running:
    """A program that runs in a process of its own, with all of its output.

    A thread reads both output streams, so the program never waits for its reader.
    """

    def __init__(
        self, *command: object, cwd: Path | None = None, environ: Mapping[str, str] | None = None
    ) -> None:
        self.printed = ""
        self._read_to = 0
        self._ended = False
        self._news = threading.Condition()
        # A session of its own, so that a program that the program starts is ended too.
        self.process = subprocess.Popen(
            [str(word) for word in command],
            cwd=cwd,
            env={**os.environ, "PYTHONUNBUFFERED": "1", **(environ or {})},
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            start_new_session=True,
        )
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()

    def __enter__(self) -> "Running":
        return self

    def __exit__(self, *_: object) -> None:
        self.kill()

    @property
    def pid(self) -> int:
        """The process id."""
        return self.process.pid

    @property
    def has_ended(self) -> bool:
        """Whether the output of the program has ended."""
        return self._ended

    def command_line(self) -> str:
        """Returns the command line that every user of the machine can see."""
        return Path(f"/proc/{self.pid}/cmdline").read_text()

    def until(self, so: Callable[[str], bool], failure: str = "the program did not print it") -> str:
        """Waits until a condition holds for the output since the last wait.

        Output after the first line for which the condition holds is left for the next wait.

        Args:
            so: The condition for the text since the last wait.
            failure: The message if the program ends or the condition never holds.
        """
        with self._news:
            self._news.wait_for(lambda: self._first(so) is not None or self._ended, DEADLINE_S)
            end = self._first(so)
            if end is None:
                pytest.fail(f"{failure}; it printed:\n{self.printed[-3000:]}")
            new, self._read_to = self.printed[self._read_to : end], end
            return new

    def has_printed(self, part: str) -> str:
        """Waits until a complete line with this part was printed, now or earlier. Returns the line."""
        with self._news:
            self._news.wait_for(lambda: self._line_with(part, 0) is not None or self._ended, DEADLINE_S)
            end = self._line_with(part, 0)
            if end is None:
                pytest.fail(f"{part!r} was never printed, only:\n{self.printed[-3000:]}")
            return self.printed[:end].splitlines()[-1]

    def prints(self, part: str, failure: str = "") -> str:
        """Waits for a complete line with this part since the last wait. Returns the text up to its end.

        Output after the line is left for the next wait.
        """
        with self._news:
            start = self._read_to
            self._news.wait_for(lambda: self._line_with(part, start) is not None or self._ended, DEADLINE_S)
            end = self._line_with(part, start)
            if end is None:
                pytest.fail(f"{failure or f'{part!r} was not printed'}; printed was:\n{self.printed[-3000:]}")
            self._read_to = end
            return self.printed[start:end]

    def lines(self) -> Iterator[str]:
        """Yields each complete line from here on; ends with the program."""
        while True:
            with self._news:
                self._news.wait_for(lambda: "\n" in self._new() or self._ended, DEADLINE_S)
                line, newline, _ = self._new().partition("\n")
                if not newline:
                    assert self._ended, f"no further line came after:\n{self.printed[-3000:]}"
                    return
                self._read_to += len(line) + 1
            yield line

    def send(self, text: str) -> None:
        """Types a text at the program's standard input."""
        assert self.process.stdin is not None
        self.process.stdin.write(text.encode())
        self.process.stdin.flush()

    def send_signal(self, number: Signals) -> None:
        """Sends the process a signal."""
        self.process.send_signal(number)

    def ended(self) -> int:
        """Waits for the end of the program and returns its exit status."""
        status = self.process.wait(DEADLINE_S)
        self._reader.join(DEADLINE_S)
        return status

    def stop(self, number: Signals = SIGTERM) -> int:
        """Ends the program by a signal and returns its exit status."""
        self.send_signal(number)
        return self.ended()

    def kill(self) -> None:
        """Ends the program and every process that it started."""
        with contextlib.suppress(ProcessLookupError):
            os.killpg(self.process.pid, SIGKILL)
        self.process.wait(DEADLINE_S)
        self._reader.join(DEADLINE_S)
        for stream in (self.process.stdin, self.process.stdout):
            if stream is not None:
                with contextlib.suppress(OSError):
                    stream.close()

    def _new(self) -> str:
        return self.printed[self._read_to :]

    def _first(self, so: Callable[[str], bool]) -> int | None:
        """Returns the end of the first line, or of the whole output, up to which the condition holds."""
        ends = [one.end() + self._read_to for one in re.finditer("\n", self._new())]
        for end in [*ends, len(self.printed)]:
            if so(self.printed[self._read_to : end]):
                return end
        return None

    def _line_with(self, part: str, start: int) -> int | None:
        """Returns the end of the first line with this part."""
        at = self.printed.find(part, start)
        end = -1 if at < 0 else self.printed.find("\n", at)
        return None if end < 0 else end + 1

    def _read(self) -> None:
        assert self.process.stdout is not None
        # A character of several bytes can be divided between two reads.
        decode = codecs.getincrementaldecoder("utf-8")("replace").decode
        while piece := os.read(self.process.stdout.fileno(), 65536):
            with self._news:
                self.printed += decode(piece)
                self._news.notify_all()
        with self._news:
            self._ended = True
            self._news.notify_all()


def started(*words: object, cwd: Path | None = None, environ: Mapping[str, str] | None = None) -> Running:
    """Starts a ``clearwell`` command. The context manager ends the command."""
    return Running(*CLEARWELL, *words, cwd=cwd, environ=environ)
