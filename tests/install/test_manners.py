"""Long computations run at a lower priority than a daemon on the same computer."""

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
def test_long_computations_lower_their_priority_and_the_daemon_does_not(command: str, steps: int) -> None:
    done = run(sys.executable, "-c", TELLING, command, "--help")
    assert done.status == 0, done.stderr
    # The system limits how far a process can lower its priority.
    assert done.stdout.splitlines()[-1] == f"STEPPED BACK {min(steps, 19 - os.nice(0))}"
