"""Computes a calibration from readings in standard solutions, and saves it in a file and in the log."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from bridge.config.calibration_file import CalibrationTable, append, place_of
from bridge.config.plan import BridgePlan, LogPlan
from bridge.errors import InputError, LinkError, LogError
from bridge.history.log_file import as_its_directory
from bridge.history.records import CalibrationRow
from bridge.history.writer import add
from bridge.protocol.session import DownCause, LinkDown
from bridge.station.plan import ProbePlan, StationPlan
from bridge.transport.line import open_device
from bridge.water.calibration import Calibration, CalibrationPoint, one_point, two_point

LARGEST_DRIFT_PERCENT = 20.0
"""A larger change is not ageing: the solution is wrong, or the cell was exchanged."""


@dataclass(frozen=True, slots=True)
class Outcome:
    """A new calibration and the one before it."""

    new: Calibration
    before: Calibration
    """The constant in use until now, with its uncertainty; it has no points."""

    @property
    def drift_percent(self) -> float:
        """Change of the constant, percent of the one before."""
        return self.new.drift_percent(self.before)

    @property
    def drift_is_significant(self) -> bool:
        """Whether the change is larger than both uncertainties explain."""
        return self.new.drift_is_significant(self.before)

    @property
    def is_far(self) -> bool:
        """Whether the change is larger than ageing explains."""
        return abs(self.drift_percent) > LARGEST_DRIFT_PERCENT


def calibrate(probe: ProbePlan, points: Sequence[CalibrationPoint]) -> Outcome:
    """Calibrates the cell of a probe.

    Args:
        probe: The probe.
        points: A reading in one or in each of two solutions.

    Returns:
        The new calibration beside the one before it.

    Raises:
        InputError: No real cell fits the readings, or there are not one or two of them.
    """
    cell = probe.chain.cell
    match points:
        case [one]:
            new = one_point(one, lead_resistance_ohm=cell.lead_resistance_ohm, offset_us=cell.offset_us)
        case [low, high]:
            new = two_point(low, high, lead_resistance_ohm=cell.lead_resistance_ohm)
        case _:
            raise InputError(f"a calibration takes one or two standard solutions, not {len(points)}")
    percent = probe.chain.uncertainties.cell_constant_percent
    before = Calibration(cell, percent, 0.0, (), percent, 0.0)
    return Outcome(new, before)


def refuse_beside_daemon(plan: BridgePlan) -> None:
    """Makes sure that no other program uses the port of a controller.

    Raises:
        LinkError: A port is in use, probably by the daemon.
    """
    from bridge.bench import STOP_FIRST

    for station in plan.stations:
        port = open_device(station.port, station.baud)
        if not isinstance(port, LinkDown):
            port.close()
        elif port.cause is DownCause.BUSY:
            raise LinkError(f"{port.error} {STOP_FIRST}")


def keep(plan: BridgePlan, configuration: Path, station: StationPlan, cell: str, outcome: Outcome,
         configured_per_cm: float) -> tuple[Path, LogError | None]:  # fmt: skip
    """Adds the calibration to the file that the daemon reads, then to the log; earlier entries stay.

    Args:
        plan: The bridge's plan.
        configuration: Path of the configuration.
        station: The station of the cell.
        cell: ``product``, ``feed`` or ``check_cell``.
        outcome: The new calibration and the one before it.
        configured_per_cm: The constant in the configuration itself, cm⁻¹.

    Returns:
        The file, and the error if the log could not be written.

    Raises:
        InputError: The file cannot be written; then nothing is saved.
    """
    new, before = outcome.new, outcome.before.cell
    file = place_of(configuration, None if plan.log is None else plan.log.path)
    append(
        file,
        CalibrationTable(
            reservoir=station.identity.reservoir,
            cell="product" if cell == "product" else "feed" if cell == "feed" else "check_cell",
            made=datetime.now(UTC).replace(microsecond=0),
            standard=new.standard_id,
            temperature_c=round(new.temperature_c, 3),
            cell_constant_per_cm=float(f"{new.cell.constant_per_cm:.6g}"),
            offset_us=float(f"{new.cell.offset_us:.6g}"),
            cell_constant_percent=new.constant_uncertainty_percent,
            own_percent=new.own_percent,
            percent_per_k=new.percent_per_k,
            before_cell_constant_per_cm=before.constant_per_cm,
            before_offset_us=before.offset_us,
            configured_cell_constant_per_cm=configured_per_cm,
        ),
    )
    as_its_directory(file)
    if plan.log is None:
        return file, None
    try:
        _log(plan.log, station.identity.reservoir, cell, outcome)
    except LogError as error:
        return file, error
    finally:
        as_its_directory(plan.log.path)
    return file, None


def _log(plan: LogPlan, reservoir: str, cell: str, outcome: Outcome) -> None:
    new = outcome.new
    strongest = max(new.points, key=lambda point: point.reference_us_cm)
    add(
        plan.path,
        lambda stamp: CalibrationRow(
            stamp,
            reservoir,
            cell,
            new.cell.constant_per_cm,
            new.cell.offset_us,
            strongest.reference_us_cm,
            strongest.temperature_c,
            2.0 * new.constant_uncertainty_percent,
            f"standard {new.standard_id}; before it {outcome.before.cell.constant_per_cm:.4g} cm⁻¹, "
            f"drift {outcome.drift_percent:+.2f} %",
        ),
    )
