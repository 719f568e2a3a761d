"""The rules of the protocol page, run on the host, where a test can choose the fitted parts."""

import random
import subprocess
from typing import Any

import pytest

from bridge.guard.model import Flow
from bridge.protocol.codec import Damaged, Ignored, encode
from bridge.protocol.messages import (
    Ack,
    Close,
    Feature,
    FromBridge,
    FromController,
    Hello,
    Identify,
    Lease,
    LocalFault,
    Reading,
    Refusal,
)
from tests.firmware.emulator import Build
from tests.firmware.host import Library
from tests.narrowing import of_kind
from tests.waiting import DEADLINE_S


@pytest.fixture(scope="module")
def c(build: Build) -> Library:
    return Library(build.library)


def answer(c: Library, message: FromBridge) -> FromController | Damaged | Ignored:
    (said,) = c.hear(encode(message))
    return said


def granted(c: Library, message: Lease | Close) -> Flow:
    """Returns the path in the acknowledgement of a command."""
    return of_kind(Ack, answer(c, message)).path


def refused(c: Library, message: Lease) -> str:
    """Returns the reason for which a command is refused."""
    return of_kind(Refusal, answer(c, message)).why


def path_after(c: Library, ms: int) -> Flow:
    """Returns the path after this many milliseconds."""
    c.wait(ms)
    return c.path


def started(c: Library, **how: Any) -> None:
    c.start(**how)
    (hello,) = c.said()
    assert isinstance(hello, Hello)


def test_duplicate_of_the_last_grant_is_acknowledged_and_changes_nothing(c: Library) -> None:
    started(c)
    assert granted(c, Lease(7, Flow.TO_RESERVOIR, 1000)) is Flow.TO_RESERVOIR
    c.wait(600)
    c.said()
    assert granted(c, Lease(7, Flow.TO_RESERVOIR, 1000)) is Flow.TO_RESERVOIR
    c.wait(420)
    assert c.path is Flow.SHUT, "a duplicate made the lease longer"
    c.said()
    assert granted(c, Lease(7, Flow.TO_RESERVOIR, 1000)) is Flow.SHUT, "a duplicate opened the valve again"
    assert granted(c, Lease(8, Flow.TO_RESERVOIR, 1000)) is Flow.TO_RESERVOIR
    assert granted(c, Lease(7, Flow.TO_RESERVOIR, 1000)) is Flow.TO_RESERVOIR, (
        "only the last granted number counts"
    )


def test_shorter_lease_replaces_the_longer_one(c: Library) -> None:
    started(c)
    answer(c, Lease(1, Flow.TO_RESERVOIR, 9000))
    answer(c, Lease(2, Flow.TO_RESERVOIR, 9000))
    answer(c, Lease(3, Flow.TO_RESERVOIR, 500))
    c.wait(500)
    assert c.path is Flow.SHUT


def test_lapsed_bit_stays_set_until_the_next_grant_also_after_a_close(c: Library) -> None:
    started(c)
    answer(c, Lease(1, Flow.TO_RESERVOIR, 100))
    c.wait(300)
    assert [e.faults for e in c.said() if isinstance(e, Reading)][-1] & LocalFault.LEASE_LAPSED
    answer(c, Close(2))
    c.wait(200)
    assert [e.faults for e in c.said() if isinstance(e, Reading)][-1] & LocalFault.LEASE_LAPSED
    answer(c, Lease(3, Flow.TO_RESERVOIR, 5000))
    c.wait(200)
    assert not [e.faults for e in c.said() if isinstance(e, Reading)][-1] & LocalFault.LEASE_LAPSED


def test_close_before_the_lease_is_over_leaves_no_lapsed_bit(c: Library) -> None:
    started(c)
    answer(c, Lease(1, Flow.TO_RESERVOIR, 1000))
    answer(c, Close(1))
    assert c.path is Flow.SHUT
    c.wait(2000)
    assert not [e.faults for e in c.said() if isinstance(e, Reading)][-1] & LocalFault.LEASE_LAPSED


def test_drain_without_a_drain_valve_is_refused_and_the_refusal_shuts(c: Library) -> None:
    started(c, fitted=127 - Feature.DRAIN_VALVE)
    answer(c, Lease(1, Flow.TO_RESERVOIR, 5000))
    refusal = answer(c, Lease(2, Flow.TO_DRAIN, 5000))
    assert isinstance(refusal, Refusal)
    assert (refusal.of, refusal.why) == (2, "nodrain")
    assert c.path is Flow.SHUT


@pytest.mark.parametrize(
    ("how", "why"),
    [({"self_test_failed": True}, "fault"), ({"supply": 600}, "supply"), ({"supply": 0}, "supply")],
)
def test_nothing_is_granted_after_a_failed_self_test_or_without_supply(
    c: Library, how: dict[str, Any], why: str
) -> None:
    started(c, **how)
    assert refused(c, Lease(1, Flow.TO_RESERVOIR, 5000)) == why
    assert granted(c, Close(2)) is Flow.SHUT, "a close is obeyed with any fault"
    assert isinstance(answer(c, Identify(3)), Hello)


def test_change_of_path_and_back_still_has_its_pause(c: Library) -> None:
    started(c)
    answer(c, Lease(1, Flow.TO_RESERVOIR, 5000))
    assert granted(c, Lease(2, Flow.TO_DRAIN, 5000)) is Flow.SHUT
    c.wait(150)
    c.said()
    assert granted(c, Lease(3, Flow.TO_RESERVOIR, 5000)) is Flow.SHUT
    assert path_after(c, 100) is Flow.SHUT
    assert path_after(c, 100) is Flow.TO_RESERVOIR


def test_lease_that_ends_within_the_pause_never_opens(c: Library) -> None:
    started(c)
    answer(c, Lease(1, Flow.TO_RESERVOIR, 5000))
    answer(c, Lease(2, Flow.TO_DRAIN, 150))
    c.wait(1000)
    assert c.path is Flow.SHUT
    assert c.openings == 1


def test_values_of_parts_that_are_not_fitted_are_not_sent(c: Library) -> None:
    started(c, fitted=0)
    c.wait(150)
    reading = next(e for e in c.said() if isinstance(e, Reading))
    assert (reading.feed_us, reading.feed_c, reading.level_sensor, reading.pulses) == (None,) * 4
    assert (reading.switch_low, reading.switch_full, reading.switch_overflow) == (None,) * 3
    c.wait(1, overflow_up=True)
    assert isinstance(answer(c, Lease(1, Flow.TO_RESERVOIR, 5000)), Ack), (
        "a float that is not fitted cannot shut"
    )


def test_damaged_and_unknown_lines_have_no_answer_and_no_effect(c: Library) -> None:
    started(c)
    good = encode(Lease(1, Flow.TO_RESERVOIR, 5000))
    assert c.hear(good.replace(b"5000", b"6000")) == []
    assert c.hear(good.replace(b"<", b">")) == []
    assert c.hear(good[:-1]) == []
    assert c.path is Flow.SHUT
    (grant,) = c.hear(b"\n")
    assert of_kind(Ack, grant).path is Flow.TO_RESERVOIR


def test_ten_megabytes_of_random_bytes_at_the_rate_of_the_line_shut_within_the_lease(c: Library) -> None:
    started(c)
    answer(c, Lease(1, Flow.TO_RESERVOIR, 4000))
    shut_after = c.hear_at_line_rate(random.Random(5).randbytes(10_000_000))
    assert 3900 <= shut_after <= 4000
    assert c.openings == 1
    c.hear(b"\n")
    assert isinstance(answer(c, Lease(2, Flow.TO_RESERVOIR, 4000)), Ack)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_fuzzer_under_address_and_undefined_behaviour_sanitizers_finds_nothing(
    build: Build, seed: int
) -> None:
    done = subprocess.run(
        [str(build.fuzz), "150000", str(seed)],
        capture_output=True,
        text=True,
        check=False,
        timeout=DEADLINE_S,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    assert "nothing wrong" in done.stdout
