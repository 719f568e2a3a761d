"""The bridge with clocks that run fast: ``hurried.py SPEED run --config FILE``.

Only the clocks are changed, the wall's and the monotonic one alike, so hours, roll-ups and heartbeats come
sooner. Timers are looked at when something happens, so readings must come as much faster.
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
