"""The valve pin in the emulator: its opening, and every cause that shuts it."""

import os

import pytest

from bridge.guard.model import Flow
from bridge.protocol.codec import encode
from bridge.protocol.messages import (
    Ack,
    BootReason,
    Close,
    Hello,
    Identify,
    Lease,
    LocalFault,
    Reading,
    Refusal,
)
from tests.firmware.emulator import Build, Emulator


def open_valve(board: Emulator, ms: int = 9000, sequence: int = 500) -> int:
    """Sends a lease and waits for the pin; returns the time at which the line end arrived."""
    board.send(Lease(sequence, Flow.TO_RESERVOIR, ms))
    board.run(20)
    assert board.valve, "the valve did not open on a good lease"
    return board.line_ends_us[-1]


def shut_at(board: Emulator) -> int:
    assert not board.valve
    return board.valve_changes[-1].at_us


@pytest.mark.parametrize("ms", [100, 1000, 4000, 10_000])
def test_valve_shuts_within_the_lease_when_the_line_falls_silent(board: Emulator, ms: int) -> None:
    """A cut cable, a killed bridge and a hung computer have the same effect on the board: no more frames."""
    heard = open_valve(board, ms)
    board.run(ms + 100)
    held = shut_at(board) - heard
    assert held <= ms * 1000, f"the valve stayed open {held} µs on a lease of {ms} ms"
    assert held >= ms * 1000 - 20_000, "the lease was cut short"
    assert board.last(Reading).faults == LocalFault.LEASE_LAPSED
    board.run(3000)
    assert not board.valve


def test_lease_is_never_longer_than_granted_at_any_phase_of_the_boards_loop(
    board: Emulator,
) -> None:
    """The end falls before, during and after the work on a reading, the longest work of the loop."""
    for sequence in range(150):
        ms = 60 + sequence * 7 % 53
        heard = open_valve(board, ms, sequence)
        board.run(ms + sequence % 11)
        held = shut_at(board) - heard
        assert ms * 1000 - 20_000 <= held <= ms * 1000, (ms, held)


def test_cable_cut_in_the_middle_of_a_renewal_shuts_within_the_lease_before_it(board: Emulator) -> None:
    heard = open_valve(board, 2000)
    board.run(1000)
    board.send_bytes(b"<1 501 lease ms=2000*4")
    board.run(2000)
    assert shut_at(board) - heard <= 2_000_000


def test_renewed_lease_keeps_the_valve_open_until_the_end_of_the_last_one(board: Emulator) -> None:
    open_valve(board, 1000, 10)
    for sequence in range(11, 20):
        board.run(400)
        board.send(Lease(sequence, Flow.TO_RESERVOIR, 1000))
    board.run(500)
    assert board.valve
    assert len(board.valve_changes) == 1, "the valve flickered between renewals"
    board.run(1000)
    assert shut_at(board) - board.line_ends_us[-1] <= 1_000_000


def test_lease_over_the_maximum_is_shortened_to_it(board: Emulator) -> None:
    heard = open_valve(board, 60_000)
    board.run(11_000)
    assert shut_at(board) - heard <= board.last(Hello).longest_lease_ms * 1000


def test_ten_megabytes_of_random_bytes_neither_keep_open_nor_open_the_valve(build: Build) -> None:
    """The first part comes at the rate of the line, the rest about six times faster.

    The faster rate is 160 cycles for each byte, about the limit of the chip. Beyond the limit the board loses
    bytes before the parser, as on a real line. The similar test in test_rules.py gives the parser every byte.
    """
    with Emulator(build) as board:
        board.run(600)
        heard = open_valve(board, 4000)
        board.command("random 100000 1 0")
        assert shut_at(board) - heard <= 4_000_000
        assert board.now_us > 9_000_000, "the bytes did not come at the rate of the line"
        heard = open_valve(board, 4000, 600)
        board.command("random 9900000 2 160")
        assert shut_at(board) - heard <= 4_000_000
        assert len(board.valve_changes) == 4, "random bytes moved the valve"
        assert not board.drain_changes
        assert [reset.cause for reset in board.resets] == ["power"], "random bytes hung the board"
        board.send_bytes(b"\n")
        board.send(Identify(601))
        board.run(200)
        assert isinstance(board.last(Hello), Hello)
        assert board.last(Hello).sequence > 0, "the board does not hear the line any more"


def test_overflow_float_shuts_within_50_ms_and_holds(board: Emulator) -> None:
    open_valve(board)
    board.run(333)
    board.overflow(True)
    risen = board.now_us
    board.run(200)
    assert shut_at(board) - risen <= 50_000
    readings = [event for event in board.events if isinstance(event, Reading)]
    assert readings[-1].faults == LocalFault.OVERFLOW_CUT
    assert readings[-1].switch_overflow
    board.send(Lease(501, Flow.TO_RESERVOIR, 4000), Lease(502, Flow.TO_DRAIN, 4000))
    board.run(100)
    assert [(e.of, e.why) for e in board.events if isinstance(e, Refusal)] == [
        (501, "overflow"),
        (502, "overflow"),
    ]
    board.overflow(False)
    board.run(1900)
    board.send(Lease(503, Flow.TO_RESERVOIR, 4000))
    board.run(100)
    assert not board.valve, "the way back was not waited for"
    board.run(300)
    assert board.last(Reading).faults == LocalFault.NONE
    open_valve(board, 1000, 504)


def test_one_millisecond_of_overflow_is_enough(board: Emulator) -> None:
    open_valve(board)
    board.overflow(True)
    board.run(1.5)
    board.overflow(False)
    board.run(50)
    shut_at(board)
    assert board.last(Reading).faults == LocalFault.OVERFLOW_CUT


def test_low_supply_shuts_and_refuses(board: Emulator) -> None:
    open_valve(board)
    board.set_supply(9.5)
    board.run(200)
    shut_at(board)
    board.send(Lease(501, Flow.TO_RESERVOIR, 4000))
    board.run(50)
    assert board.last(Refusal).why == "supply"
    assert board.last(Reading).faults == LocalFault.SUPPLY_LOW
    board.set_supply(12.0)
    board.run(2300)
    assert board.last(Reading).faults == LocalFault.NONE


@pytest.mark.parametrize("cause", [BootReason.POWER, BootReason.BROWNOUT, BootReason.RESET_PIN])
def test_every_reset_ends_shut_and_reports_its_cause(board: Emulator, cause: BootReason) -> None:
    open_valve(board)
    board.command(f"reset {cause.value}")
    assert not board.valve, "the pin is not let go by a reset"
    reset = board.now_us
    board.run(3000)
    assert not board.valve, "the valve came back by itself"
    assert [change.at_us for change in board.valve_changes if change.at_us > reset] == []
    hello = board.last(Hello)
    assert (hello.sequence, hello.boot) == (0, cause)
    open_valve(board, 500, 500)  # The number granted before the reset is not a duplicate after it.


@pytest.mark.parametrize("how", ["hang", "hang 0", "noticks"])
def test_hung_program_is_caught_by_the_watchdog_and_ends_shut(board: Emulator, how: str) -> None:
    """The program hangs with interrupts, without interrupts, or with a stopped clock."""
    open_valve(board)
    board.command(how)
    hung = board.now_us
    # A loop that wakes only for the line, and not for the clock, must not feed the watchdog.
    board.command("random 6000 9 0")
    board.run(1000)
    assert shut_at(board) - hung <= 300_000
    assert board.resets[-1].cause == "watchdog"
    assert board.last(Hello).boot is BootReason.WATCHDOG
    board.run(2000)
    assert not board.valve


def test_valve_is_never_high_at_boot_even_when_leases_wait_on_the_line(build: Build) -> None:
    with Emulator(build) as board:
        for boot, cause in enumerate(("", "power", "pin", "brownout")):
            if cause:
                board.command(f"reset {cause}")
            began = board.now_us
            for step in range(40):
                board.send(Lease(boot * 100 + step, Flow.TO_RESERVOIR, 9000))
                board.run(10)
            hello_us = next(at for at in board.frames_us if at > began)
            assert hello_us - began <= 3_000_000, "boot took longer than 3 s"
            changes = board.valve_changes + board.drain_changes
            opened = [change.at_us for change in changes if change.open and change.at_us >= began]
            assert opened, "no lease was granted after boot: this test shows nothing"
            assert min(opened) > hello_us, "a valve's pin was high before the hello"


def test_failed_self_test_is_reported_and_grants_nothing(build: Build) -> None:
    """One bit is flipped in flash, in the version text, so that the program still runs."""
    image = build.elf.with_suffix(".bin").read_bytes()
    assert image.count(b"1.0.0\0") == 1
    with Emulator(build) as board:
        board.command(f"flip {image.index(b'1.0.0')}")
        board.command("reset power")
        board.run(500)
        assert board.last(Hello).firmware == "0.0.0"
        board.send(Lease(1, Flow.TO_RESERVOIR, 4000))
        board.run(100)
        assert board.last(Refusal).why == "fault"
        assert board.last(Reading).faults == LocalFault.SELF_TEST
        assert not board.valve_changes


def test_self_test_finds_an_input_that_does_not_follow_its_drive(build: Build) -> None:
    """Every input reads 1.5 V too high at every drive: the converter or a buffer is broken."""
    with Emulator(build) as board:
        board.command("offset 1.5")
        board.command("reset power")
        board.run(500)
        assert board.last(Reading).faults & LocalFault.SELF_TEST


def test_fill_and_drain_are_separated_by_the_pause(board: Emulator) -> None:
    open_valve(board, 5000, 1)
    for sequence, path in ((2, Flow.TO_DRAIN), (3, Flow.TO_RESERVOIR), (4, Flow.TO_DRAIN)):
        board.send(Lease(sequence, path, 5000))
        board.run(700)
        assert (board.valve, board.drain) == (path is Flow.TO_RESERVOIR, path is Flow.TO_DRAIN)
    edges = sorted(
        [(c.at_us, "fill", c.open) for c in board.valve_changes]
        + [(c.at_us, "drain", c.open) for c in board.drain_changes]
    )
    for (shut_us, was, shut_to), (open_us, becomes, open_to) in zip(edges[1::2], edges[2::2], strict=True):
        assert (shut_to, open_to) == (False, True)
        assert was != becomes
        assert 200_000 <= open_us - shut_us <= 1_000_000
    acks = [event for event in board.events if isinstance(event, Ack)]
    assert [ack.path for ack in acks] == [Flow.TO_RESERVOIR, Flow.SHUT, Flow.SHUT, Flow.SHUT]


def test_close_is_obeyed_and_acknowledged_at_once(board: Emulator) -> None:
    open_valve(board)
    board.send(Close(7))
    board.run(25)
    assert shut_at(board) - board.line_ends_us[-1] <= 5_000
    assert board.last(Ack) == Ack(board.last(Ack).sequence, 7, Flow.SHUT)


def test_change_of_path_is_reported_at_once(board: Emulator) -> None:
    """The report comes within one round of measuring, before the next periodic reading is due."""
    for sequence in range(1, 6):
        board.run(37)
        open_valve(board, 5000, sequence)
        board.run(40)
        assert board.last(Reading).path is Flow.TO_RESERVOIR
        board.send(Close(sequence))
        board.run(60)
        assert board.last(Reading).path is Flow.SHUT


def test_board_at_wall_clock_pace_serves_a_program_at_its_pseudo_terminal(build: Build) -> None:
    with Emulator(build, paced=True) as board:
        assert board.wait_for(lambda: bool(board.frames_us)), "the board did not boot"
        line = os.open(board.pty, os.O_RDWR | os.O_NOCTTY)
        try:
            os.write(line, encode(Lease(1, Flow.TO_RESERVOIR, 300)))
            assert board.wait_for(lambda: board.valve), "the lease did not reach the board"
            assert board.wait_for(lambda: not board.valve), "the lease did not end"
        finally:
            os.close(line)
    opened, shut = board.valve_changes
    assert 280_000 <= shut.at_us - opened.at_us <= 300_000
