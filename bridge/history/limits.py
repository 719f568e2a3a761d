"""The settings of a log: how long it keeps rows, how many may wait, and the size of the outbox."""

from dataclasses import dataclass, field


@dataclass(frozen=True, slots=True)
class OutboxSettings:
    """The settings of the outbox for the hub's log."""

    every_s: float = 10.0
    """At most one reading is sent in each slot of so many seconds, and every one whose path or health is new;
    0 sends all that are stored."""
    pack_rows: int = 60
    """The most rows in one parcel."""
    pack_s: float = 60.0
    """A parcel of readings that is not full waits no longer than this."""
    limit_bytes: int = 32 * 2**20
    """The size of the readings that may wait in the file, all reservoirs together."""
    alert_fraction: float = 0.8


@dataclass(frozen=True, slots=True)
class LogSettings:
    """The settings of one log; the defaults suit a memory card."""

    raw_days: int = 14
    minute_days: int = 5 * 366
    hour_days: int = 20 * 366
    entry_days: int = 20 * 366
    most_waiting: int = 7200
    """The most readings of all reservoirs that wait in memory while the file cannot be written; then the
    oldest are dropped."""
    most_entries: int = 20_000
    """The most other rows that wait; then the oldest events are dropped, then the oldest refused commands,
    then the oldest minutes, and nothing else."""
    outbox: OutboxSettings | None = field(default_factory=OutboxSettings)
    """None: there is no hub's log."""
