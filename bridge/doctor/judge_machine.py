"""Findings about the computer (clock, disk, program), the log and the calibrations. Core."""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path

from bridge.config.plan import BridgePlan
from bridge.doctor import Finding, Verdict
from bridge.station.plan import CALIBRATION_DAYS, ProbePlan, StationPlan
from bridge.water.measurement import budget_at_limit

_DAY_S = 86_400.0


@dataclass(frozen=True, slots=True)
class LogFacts:
    """Facts about the log."""

    path: Path
    trouble: str | None = None
    """Why it cannot be read."""
    missing: bool = False
    layout: int = 0
    newest_layout: int = 0
    """The newest layout that this program knows."""
    faults: tuple[str, ...] = ()
    """The faults that SQLite's own check found."""
    first_s: float = 0.0
    last_s: float = 0.0

    @property
    def span_days(self) -> float:
        """The time that the log covers."""
        return max(0.0, self.last_s - self.first_s) / _DAY_S


def judge_log(log: LogFacts) -> Finding:
    """Check that the log exists and is intact."""

    def found(verdict: Verdict, what: str, then: str = "") -> Finding:
        return Finding("log", "", verdict, what, then)

    if log.missing:
        return found(
            Verdict.LOOK, f"There is no log {log.path} yet.", "The daemon creates it at its first start."
        )
    if log.trouble is not None:
        return found(
            Verdict.WRONG,
            log.trouble,
            "Run this as the daemon's user or with sudo, or restore a backup: clearwell restore.",
        )
    if log.faults:
        return found(
            Verdict.WRONG,
            f"The log {log.path} is damaged: {log.faults[0]}.",
            "Stop the daemon and restore a backup: clearwell restore. The damaged log is kept beside it. A "
            "worn-out card is a frequent cause.",
        )
    if log.layout < log.newest_layout:
        return found(
            Verdict.OK,
            f"{log.path} is sound. It has the layout {log.layout} of an older program; the daemon converts "
            f"it to {log.newest_layout} when it starts.",
        )
    first, last = (datetime.fromtimestamp(at, UTC) for at in (log.first_s, log.last_s))
    return found(
        Verdict.OK, f"{log.path} is sound and covers {first:%Y-%m-%d %H:%M} to {last:%Y-%m-%d %H:%M} UTC."
    )


def judge_calibrations(station: StationPlan, now_s: float) -> Iterator[Finding]:
    """Yield the age of the calibration of each cell."""
    limit_ppm = station.limits.limit_ppm
    yield _with_interval(
        _cell(f"{station.identity.reservoir}.product", station.product, now_s), station.product, limit_ppm
    )
    if station.feed is not None:
        yield _cell(f"{station.identity.reservoir}.feed", station.feed, now_s)
    if station.check is not None:
        found = _cell(f"{station.identity.reservoir}.check_cell", station.check, now_s)
        yield _with_interval(found, station.check, limit_ppm)


def _with_interval(found: Finding, probe: ProbePlan, limit_ppm: float) -> Finding:
    """Add the uncertainty at the limit, and what makes most of it."""
    budget, _ = budget_at_limit(probe.chain, limit_ppm)
    more = (
        f"At the limit of {limit_ppm:g} ppm a reading is good to ±{budget.expanded_ppm:.2g} ppm (k = 2), "
        f"most of it from: {budget.largest.source.value}."
    )
    return replace(found, what=f"{found.what} {more}")


def _cell(about: str, probe: ProbePlan, now_s: float) -> Finding:
    reservoir, cell = about.split(".")
    how = f"clearwell calibrate --config FILE --reservoir {reservoir} --cell {cell}"
    then = f"Calibrate it, with the daemon stopped: {how}."

    def found(verdict: Verdict, what: str, then: str = "") -> Finding:
        return Finding("calibration", about, verdict, what, then)

    calibration = probe.calibration
    if calibration is None:
        return found(
            Verdict.LOOK, "The cell has no calibration; its constant is the one in the configuration.", then
        )
    days = (now_s - calibration.made.timestamp()) / _DAY_S
    when = f"Calibrated on {calibration.made.astimezone(UTC):%Y-%m-%d} in the standard {calibration.standard}"
    if days < -1.0:
        return found(
            Verdict.LOOK, f"{when}, which is in the future.", "Set this machine's clock, or calibrate again."
        )
    if days > CALIBRATION_DAYS:
        return found(Verdict.LOOK, f"{when}, {days:.0f} days ago.", then)
    return found(Verdict.OK, f"{when}, {max(days, 0.0):.0f} days ago.")


FIRST_YEAR, LAST_YEAR = 2025, 2099
"""A clock outside these years was never set."""
BEHIND_S = 60.0
MIB = 2.0**20
NO_ROOM_BYTES = 16 * MIB
TYPICAL_BYTES_A_DAY = 100_000.0
"""Growth of the log with one reservoir: measured over years in the log's tests with a noisy barrel, rounded
up."""
ENOUGH_DAYS = 30.0
"""A log this long is enough to measure its own growth."""
YEAR_DAYS = 365.0
NETWORK_FILES = frozenset(
    {"nfs", "nfs4", "cifs", "smb3", "smbfs", "9p", "ceph", "afs", "fuse.sshfs", "fuse.glusterfs", "davfs"}
)
"""File systems on which SQLite's write-ahead log does not work, because it needs shared memory. Source:
sqlite.org/wal.html, "WAL does not work over a network filesystem"."""
MEMORY_FILES = frozenset({"tmpfs", "ramfs"})


@dataclass(frozen=True, slots=True)
class ClockFacts:
    """The wall clock."""

    now_s: float
    """UTC, seconds since 1970."""
    synchronised: bool | None
    """None if this is not known."""
    newest_s: float | None = None
    """The newest time in the log."""


@dataclass(frozen=True, slots=True)
class DiskFacts:
    """Facts about the directory of the log."""

    log: Path
    files: str
    """The type of the file system; empty if it is not known."""
    free_bytes: int
    trouble: str | None
    """Why a trial database could not be written there; None if it could."""
    there: bool
    """Whether the directory exists."""
    log_bytes: int = 0
    span_days: float = 0.0
    """The time that the log covers."""
    foreign: tuple[str, ...] = ()
    """Files of the log that belong to another user than their directory."""


@dataclass(frozen=True, slots=True)
class Library:
    """One library."""

    name: str
    extra: str
    """The extra of the package that includes it; empty if it is always needed."""
    version: str | None
    """None if it is not installed."""


@dataclass(frozen=True, slots=True)
class ProgramFacts:
    """Versions of the program and its libraries."""

    version: str
    python: str
    sqlite: str
    libraries: tuple[Library, ...]


def judge_clock(clock: ClockFacts) -> Finding:
    """Check that the clock is set, synchronised, and not behind the log."""
    now = datetime.fromtimestamp(clock.now_s, UTC)
    time = f"It is {now:%Y-%m-%d %H:%M:%S} UTC"

    def found(verdict: Verdict, what: str, then: str = "") -> Finding:
        return Finding("clock", "", verdict, what, then)

    if not FIRST_YEAR <= now.year <= LAST_YEAR:
        return found(
            Verdict.WRONG,
            f"{time} by this machine's clock, which was never set.",
            "Set it, and switch its synchronisation on: sudo timedatectl set-ntp true. Without a network, a "
            "clock module with a battery keeps the time.",
        )
    if clock.newest_s is not None and clock.newest_s - clock.now_s > BEHIND_S:
        newest = datetime.fromtimestamp(clock.newest_s, UTC)
        return found(
            Verdict.WRONG,
            f"{time} by this machine's clock, before the log's newest entry ({newest:%Y-%m-%d %H:%M:%S}).",
            "Set the clock. Until then the log keeps its order, with times in the future.",
        )
    if clock.synchronised is False:
        return found(
            Verdict.LOOK,
            f"{time} by this machine's clock, which is not synchronised.",
            "Switch its synchronisation on: sudo timedatectl set-ntp true.",
        )
    kept = (
        "and the clock is synchronised"
        if clock.synchronised
        else "and it is not known whether the clock is synchronised"
    )
    return found(Verdict.OK, f"{time}, {kept}.")


def judge_disk(disk: DiskFacts, plan: BridgePlan) -> Iterator[Finding]:
    """Yield findings about the disk: the log can be written, is persistent, and has room."""
    folder = str(disk.log.parent)

    def found(verdict: Verdict, what: str, then: str = "") -> Finding:
        return Finding("disk", "", verdict, what, then)

    if not disk.there:
        yield found(
            Verdict.LOOK,
            f"There is no directory {folder} yet.",
            "The daemon creates it at its first start, if it has the right to.",
        )
        return
    if disk.files in NETWORK_FILES:
        yield found(
            Verdict.WRONG,
            f"{folder} is on another machine ({disk.files}), where the log cannot be kept safely.",
            "Set log.path to a disk of this machine, and write backups to the other one.",
        )
    elif disk.files in MEMORY_FILES:
        yield found(
            Verdict.LOOK,
            f"{folder} is in memory ({disk.files}); the log is lost when this machine restarts.",
            "Set log.path to a disk.",
        )
    if disk.trouble is not None:
        yield found(
            Verdict.WRONG,
            f"The log cannot be written in {folder}: {disk.trouble}.",
            "Make room there, or give the daemon's user the right to write; or run this command as that "
            "user or with sudo.",
        )
        return
    if disk.foreign:
        yield found(
            Verdict.LOOK,
            f"{' and '.join(disk.foreign)} do not belong to the owner of {folder}.",
            f"Correct that: sudo chown --reference={folder} {folder}/*, with the daemon stopped.",
        )
    yield _room(disk, plan)


def _room(disk: DiskFacts, plan: BridgePlan) -> Finding:
    a_day = TYPICAL_BYTES_A_DAY * max(1, len(plan.stations))
    by = "at the typical growth of a log"
    if disk.span_days >= ENOUGH_DAYS:
        a_day, by = max(disk.log_bytes / disk.span_days, 1.0), "at its present growth"
    outbox = None if plan.log is None else plan.log.settings.outbox
    year = a_day * YEAR_DAYS + (0 if outbox is None or plan.hub is None else outbox.limit_bytes)
    room = (
        f"{disk.free_bytes / MIB:.0f} MiB are free. The log has {disk.log_bytes / MIB:.1f} MiB and needs up "
        f"to {year / MIB:.0f} MiB in the next year, {by}"
    )
    if disk.free_bytes < NO_ROOM_BYTES:
        return Finding("disk", "", Verdict.WRONG, f"{room}.", "Make room there.")
    if disk.free_bytes < year:
        return Finding(
            "disk", "", Verdict.LOOK, f"{room}.", "Make room there, or set log.path to a larger disk."
        )
    return Finding("disk", "", Verdict.OK, f"{room}.")


def judge_program(program: ProgramFacts, plan: BridgePlan | None) -> Iterator[Finding]:
    """Yield findings about the libraries that the program and this configuration need."""

    def found(verdict: Verdict, what: str, then: str = "") -> Finding:
        return Finding("program", "", verdict, what, then)

    missing = [one.name for one in program.libraries if one.version is None and not one.extra]
    versions = f"clearwell {program.version}, Python {program.python}, SQLite {program.sqlite}"
    installed = ", ".join(
        f"{one.name} {one.version}" for one in program.libraries if one.version and not one.extra
    )
    if missing:
        yield found(
            Verdict.WRONG,
            f"{versions}; missing: {', '.join(missing)}.",
            "Install the program again: see config/INSTALL.md.",
        )
    else:
        yield found(Verdict.OK, f"{versions}, {installed}.")
    wanted = set()
    if plan is not None and any(one.modbus is not None for one in plan.stations):
        wanted.add("modbus")
    if plan is not None and plan.page is not None:
        wanted.add("page")
    extras = dict.fromkeys(one.extra for one in program.libraries if one.extra)
    whole = {
        name: [one.name for one in program.libraries if one.extra == name and one.version is None]
        for name in extras
    }
    for name in sorted(wanted):
        if whole.get(name):
            yield found(
                Verdict.WRONG,
                f"The configuration needs the extra {name}, of which {', '.join(whole[name])} is missing.",
                f"Install it: see config/INSTALL.md, with '.[{name}]'.",
            )
    has = [name for name in extras if not whole[name]]
    lacks = [name for name in extras if whole[name]]
    yield found(
        Verdict.OK,
        f"Extras installed: {', '.join(has) or 'none'}; not installed: {', '.join(lacks) or 'none'}.",
    )
