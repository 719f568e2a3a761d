"""What computes for long steps back behind a daemon on the same computer; what keeps the water does not."""

import os
import sys

import pytest

from tests.running import run

TELLING = (
    "import os, sys; before = os.nice(0); "
    "import atexit; atexit.register(lambda: print('STEPPED BACK', os.nice(0) - before)); "
    "from bridge.commands.main import program; program()"
)


@pytest.mark.parametrize(("command", "steps"), [("report", 10), ("export", 10), ("run", 0), ("doctor", 0)])
def test_what_computes_for_long_steps_back_and_the_daemon_does_not(command: str, steps: int) -> None:
    done = run(sys.executable, "-c", TELLING, command, "--help")
    assert done.status == 0, done.stderr
    # A process that was started nice enough cannot step back further than the system allows.
    assert done.stdout.splitlines()[-1] == f"STEPPED BACK {min(steps, 19 - os.nice(0))}"
