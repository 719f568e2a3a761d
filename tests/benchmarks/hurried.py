"""Runs the bridge with fast clocks: ``hurried.py SPEED run --config FILE``.

Only the wall clock and the monotonic clock are changed, both by the same factor, so hours, roll-ups and
heartbeats come sooner. The bridge checks its timers at each event, so readings must come faster by the same
factor.
"""

import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))


def hurry(speed: float) -> None:
    wall, monotonic = time.time, time.monotonic
    wall_0, monotonic_0 = wall(), monotonic()
    time.time = lambda: wall_0 + speed * (wall() - wall_0)
    time.monotonic = lambda: monotonic_0 + speed * (monotonic() - monotonic_0)


if __name__ == "__main__":
    hurry(float(sys.argv.pop(1)))
    from bridge.commands.main import main

    main()
