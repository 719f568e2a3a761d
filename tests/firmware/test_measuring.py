"""The readings of the board, against the values that the harness applies to its inputs."""

import pytest

from bridge.protocol.messages import FAILED, Feature, Hello, LocalFault, Reading
from tests.firmware.emulator import THERMISTOR_OHM, Emulator
from tests.narrowing import measured


def settled(board: Emulator) -> list[Reading]:
    """Returns readings that began after the wiring had changed and the range was found."""
    board.run(250)
    readings = [event for event in board.run(500) if isinstance(event, Reading)]
    assert len(readings) >= 4
    return readings


LOW = (0.05, 0.055, 0.1, 0.2, 0.4, 0.7, 0.99)
HIGH = (1.0, 1.7, 3.0, 5.5, 6.5, 12.0, 40.0, 110.0, 175.0, 190.0, 420.0, 700.0, 1000.0)


@pytest.mark.parametrize("pin_ohm", [20.0, 60.0])
def test_conductance_is_within_2_percent_from_1_to_1000_us(board: Emulator, pin_ohm: float) -> None:
    """The resistance of the driving pins differs between chips and must not change the reading."""
    board.command(f"pin {pin_ohm}")
    for us in HIGH + HIGH[::-1]:
        board.set_conductance(us)
        for reading in settled(board):
            assert reading.product_us == pytest.approx(us, rel=0.02), us


def test_conductance_is_within_a_twentieth_of_a_microsiemens_below_1_us(board: Emulator) -> None:
    for us in LOW:
        board.set_conductance(us)
        for reading in settled(board):
            assert reading.product_us == pytest.approx(us, abs=0.05), us


def test_noise_of_readings_is_what_the_firmware_states(board: Emulator) -> None:
    """One standard deviation is below 0.1 % of the reading or 0.00015 µS, whichever is more."""
    for us in (0.06, 0.5, 5.0, 6.5, 100.0, 180.0, 1000.0, 2000.0):
        board.set_conductance(us)
        board.run(250)
        values = [measured(event.product_us) for event in board.run(4000) if isinstance(event, Reading)]
        mean = sum(values) / len(values)
        spread = (sum((v - mean) ** 2 for v in values) / len(values)) ** 0.5
        assert spread < max(0.001 * us, 0.00015), f"at {us} µS the readings scatter by {spread:.5f} µS"


def test_conductance_holds_without_noise_to_dither_and_with_an_offset_of_two_steps(board: Emulator) -> None:
    board.command("noise 0")
    board.command("offset 0.0098")
    for us in (0.1, 1.0, 30.0, 180.0, 1000.0):
        board.set_conductance(us)
        assert settled(board)[-1].product_us == pytest.approx(us, rel=0.02, abs=0.005), us


@pytest.mark.parametrize("emf", [-0.2, 0.2])
def test_voltage_of_the_electrodes_cancels(board: Emulator, emf: float) -> None:
    board.command(f"emf {emf}")
    for us in (0.2, 5.0, 300.0):
        board.set_conductance(us)
        assert settled(board)[-1].product_us == pytest.approx(us, rel=0.02), us


def test_no_direct_current_flows_in_the_cell(board: Emulator) -> None:
    """Direct current would plate and polarise the electrodes, so forward and reverse charge must balance.

    The remainder at 0.5 µS is the charge of the cable at the start of each round, a few nanoampere.
    """
    for us in (0.5, 50.0, 1000.0):
        board.set_conductance(us)
        board.run(300)
        board.command("charge")
        board.run(3000)
        net, gross = (float(part) for part in board.command("charge").split()[1:])
        assert gross > 0
        assert abs(net) < 0.005 * gross, us


def test_feed_cell_is_within_2_percent_too(board: Emulator) -> None:
    for us in (20.0, 100.0, 180.0, 450.0, 1000.0, 2000.0):
        board.set_feed_conductance(us)
        for reading in settled(board):
            assert reading.feed_us == pytest.approx(us, rel=0.02), us


def test_temperature_is_within_0_3_kelvin_from_0_to_40_degrees(board: Emulator) -> None:
    for celsius in range(0, 41, 5):
        board.set_temperature(celsius)
        for reading in settled(board):
            assert reading.product_c == pytest.approx(celsius, abs=0.3)
            assert reading.feed_c == pytest.approx(celsius, abs=0.3)
    assert set(range(0, 41, 5)) <= THERMISTOR_OHM.keys()


def test_level_sensor_reports_the_position_of_its_float(board: Emulator) -> None:
    for place in (0.0, 0.1, 0.5, 0.9, 1.0):
        board.set_level(place)
        for reading in settled(board):
            assert reading.level_sensor == pytest.approx(place, abs=0.01)


@pytest.mark.parametrize(
    ("wiring", "field", "fault"),
    [
        ("product 0", "product_us", LocalFault.CELL_RANGE),
        ("product 90000", "product_us", LocalFault.CELL_RANGE),
        ("thermistor 1e9", "product_c", LocalFault.TEMPERATURE_OPEN),
        ("feedthermistor 1e9", "feed_c", LocalFault.TEMPERATURE_OPEN),
        ("thermistor 5", "product_c", LocalFault.TEMPERATURE_SHORT),
        ("sender 1e9", "level_sensor", LocalFault.LEVEL_SENSOR_OPEN),
        ("sender 0.5", "level_sensor", LocalFault.LEVEL_SENSOR_SHORT),
    ],
)
def test_broken_input_gives_a_fault_without_a_value_and_recovers(
    board: Emulator, wiring: str, field: str, fault: LocalFault
) -> None:
    well = settled(board)[-1]
    assert well.faults == LocalFault.NONE
    board.command(wiring)
    broken = settled(board)[-1]
    assert getattr(broken, field) is FAILED
    assert broken.faults == fault
    name = wiring.split()[0]
    usual = {"product": 5.0, "sender": 95.0}.get(name, 10000.0)
    board.command(f"{name} {usual}")
    assert settled(board)[-1].faults == LocalFault.NONE


def test_unplugged_cell_never_reads_as_pure_water(board: Emulator) -> None:
    """A change from water to an open circuit passes through no plausible reading."""
    board.set_conductance(3.0)
    board.run(500)
    board.set_conductance(0.0)
    values = [event.product_us for event in board.run(2000) if isinstance(event, Reading)]
    first = values.index(FAILED)
    assert first <= 3
    assert all(value is FAILED for value in values[first:])


def test_switches_are_debounced_and_reported(board: Emulator) -> None:
    def switches() -> tuple[bool | None, ...]:
        reading = board.last(Reading)
        return reading.switch_low, reading.switch_full, reading.switch_overflow

    assert switches() == (True, False, False)
    for up in (True, False) * 5:
        board.full(up)
        board.run(15)
    board.full(False)
    board.run(250)
    assert not any(e.switch_full for e in board.events if isinstance(e, Reading)), "ripples were reported"
    board.full(True)
    board.low(False)
    board.run(250)
    assert switches() == (False, True, False)


def test_flow_pulses_are_counted(board: Emulator) -> None:
    board.command("pulses 137")
    board.run(250)
    assert board.last(Reading).pulses == 137


def test_readings_come_ten_a_second_with_numbers_without_a_gap(board: Emulator) -> None:
    readings = [event for event in board.run(3000) if isinstance(event, Reading)]
    assert 28 <= len(readings) <= 31
    numbers = [reading.sequence for reading in readings]
    assert numbers == list(range(numbers[0], numbers[0] + len(numbers)))


def test_board_reports_its_fitted_parts(board: Emulator) -> None:
    hello = board.last(Hello)
    assert hello.features == Feature(127)
    assert hello.longest_lease_ms == 10_000
    assert board.events[0] == hello
    assert hello.sequence == 0
