"""The log and the calibrations: sound, and not too old. Core."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from bridge.doctor.finding import Finding, Verdict
from bridge.station.plan import ProbePlan, StationPlan

CALIBRATION_DAYS = 366.0
"""How long a calibration serves; common practice, no source."""
_DAY_S = 86_400.0


@dataclass(frozen=True, slots=True)
class LogFacts:
    """What was seen of the log."""

    path: Path
    trouble: str | None = None
    """Why it cannot be read."""
    missing: bool = False
    layout: int = 0
    newest_layout: int = 0
    """That this program knows."""
    faults: tuple[str, ...] = ()
    """What SQLite's own check found."""
    first_s: float = 0.0
    last_s: float = 0.0

    @property
    def span_days(self) -> float:
        return max(0.0, self.last_s - self.first_s) / _DAY_S


def judge_log(log: LogFacts) -> Finding:
    """Is it there, and sound?"""

    def found(verdict: Verdict, what: str, then: str = "") -> Finding:
        return Finding("log", "", verdict, what, then)

    if log.missing:
        return found(
            Verdict.LOOK, f"There is no log {log.path} yet.", "The daemon begins it at its first start."
        )
    if log.trouble is not None:
        return found(
            Verdict.WRONG,
            log.trouble,
            "Ask as the daemon's user or with sudo; else go back to a backup: clearwell restore.",
        )
    if log.faults:
        return found(
            Verdict.WRONG,
            f"The log {log.path} is damaged: {log.faults[0]}.",
            "Stop the daemon and go back to a backup: clearwell restore. The damaged one is set aside, not "
            "lost. Look "
            "for a worn-out card.",
        )
    if log.layout < log.newest_layout:
        return found(
            Verdict.OK,
            f"{log.path} is sound. It has the layout {log.layout} of an older program and is brought to "
            f"{log.newest_layout} when the daemon starts.",
        )
    first, last = (datetime.fromtimestamp(at, UTC) for at in (log.first_s, log.last_s))
    return found(
        Verdict.OK, f"{log.path} is sound and goes from {first:%Y-%m-%d %H:%M} to {last:%Y-%m-%d %H:%M} UTC."
    )


def judge_calibrations(station: StationPlan, now_s: float) -> Iterator[Finding]:
    """How old is the calibration of each cell?"""
    yield _cell(f"{station.identity.reservoir}.product", station.product, now_s)
    if station.feed is not None:
        yield _cell(f"{station.identity.reservoir}.feed", station.feed, now_s)


def _cell(about: str, probe: ProbePlan, now_s: float) -> Finding:
    reservoir, cell = about.split(".")
    how = f"clearwell calibrate --config FILE --reservoir {reservoir} --cell {cell}"
    then = f"Calibrate it, with the daemon stopped: {how}."

    def found(verdict: Verdict, what: str, then: str = "") -> Finding:
        return Finding("calibration", about, verdict, what, then)

    made = probe.calibration
    if made is None:
        return found(
            Verdict.LOOK, "The cell was never calibrated here; its constant is the configuration's.", then
        )
    days = (now_s - made.made.timestamp()) / _DAY_S
    said = f"Calibrated on {made.made.astimezone(UTC):%Y-%m-%d} in the standard {made.standard}"
    if days < -1.0:
        return found(
            Verdict.LOOK, f"{said}, which is in the future.", "Set this machine's clock, or calibrate anew."
        )
    if days > CALIBRATION_DAYS:
        return found(Verdict.LOOK, f"{said}, {days:.0f} days ago.", then)
    return found(Verdict.OK, f"{said}, {max(days, 0.0):.0f} days ago.")
