"""The codec under random bytes: a fuzz guided by coverage, and a million damaged frames.

CI damages a million frames, on all cores. Other runs damage fifty thousand, which takes a second. Any number:
``CLEARWELL_DAMAGED_FRAMES=1000000 python -m pytest tests/security/test_fuzz.py``.
"""

import importlib.util
import os
import re
import subprocess
import sys
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import pytest

from bridge.protocol import fields
from bridge.protocol.codec import Direction
from tests.protocol import test_damage as damage
from tests.protocol.fuzz_codec import own_guide
from tests.waiting import DEADLINE_S

ROOT = Path(__file__).parents[2]
FRAMES = int(os.environ.get("CLEARWELL_DAMAGED_FRAMES", 1_000_000 if os.environ.get("CI") else 50_000))
SHARE = 25_000
"""Frames of one campaign; each has a seed of its own."""


def test_a_guided_fuzz_finds_no_wrong_value_and_no_crash() -> None:
    done, messages, paths, kept = own_guide(runs=2500, seconds=None)
    assert done == 2500
    assert messages > 300, "hardly anything that was tried is a message, so its values were not looked at"
    assert paths > 100
    assert kept > 10
    if importlib.util.find_spec("atheris") is None:
        return
    # The better fuzzer, if it is installed. It ends its process, so it runs in a process of its own.
    fuzz = [sys.executable, "tests/protocol/fuzz_codec.py", "--engine", "atheris", "--seconds", "5"]
    run = subprocess.run(fuzz, cwd=ROOT, capture_output=True, text=True, check=False, timeout=DEADLINE_S)
    assert run.returncode == 0, run.stderr[-3000:]
    executed = re.search(r"number_of_executed_units: (\d+)", run.stderr)
    assert executed is not None
    assert int(executed[1]) > 2000


def long_numbers(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(fields, "NUMBER_WIDTH", 14)


def switches_as_not_fitted(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(
        fields, "read_switches", lambda some: fields.SWITCHES.get(some.get("sw", ""), (None,) * 3)
    )


@pytest.mark.parametrize("fault", [long_numbers, switches_as_not_fitted])
def test_a_faulty_codec_is_found(fault: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    """A fuzz run without findings proves something only if it would find a fault."""
    fault(monkeypatch)
    with pytest.raises(AssertionError, match="was taken for"):
        own_guide(runs=20_000, seconds=None)


def _campaign(number: int) -> tuple[int, int, int]:
    """Runs one share of the campaign. Returns the numbers of frames sent, changed and refused."""
    direction, make = (
        (Direction.TO_BRIDGE, damage.from_controller),
        (Direction.TO_CONTROLLER, damage.from_bridge),
    )[number % 2]
    damage.SEED = 1000 + number
    changed, rejected = damage.campaign(direction, make, SHARE)
    return SHARE, changed, rejected


def test_no_damaged_frame_is_accepted_or_hides_the_next_one() -> None:
    with ProcessPoolExecutor(mp_context=get_context("spawn")) as cores:
        shares = list(cores.map(_campaign, range(-(-FRAMES // SHARE))))
    sent, changed, rejected = (sum(share[one] for share in shares) for one in range(3))
    assert sent >= FRAMES
    # Nearly every frame was changed, and most of the changed frames were refused.
    assert changed > 0.95 * sent
    assert rejected > 0.75 * sent
