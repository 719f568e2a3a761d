"""How long the log keeps things, and how much may wait for the disk."""

from dataclasses import dataclass, field

from bridge.history.outbox import OutboxSettings


@dataclass(frozen=True, slots=True)
class LogSettings:
    """The settings of one log; the defaults suit a memory card."""

    lazy_s: float = 60.0
    """Events and counters wait this long at most for a commit that comes anyway."""
    still_s: float = 3600.0
    """A reservoir where nothing moves is marked this often."""
    raw_days: int = 14
    minute_days: int = 5 * 366
    hour_days: int = 20 * 366
    entry_days: int = 20 * 366
    most_in_block: int = 4096
    """Readings of one reservoir in one block: a controller that sends fast fills several in an hour."""
    most_waiting: int = 7200
    """Readings of one reservoir that may wait while the file cannot be written; then the oldest go."""
    most_entries: int = 20_000
    """Entries that may wait; then the oldest events go, then the oldest refused commands, nothing else."""
    outbox: OutboxSettings | None = field(default_factory=OutboxSettings)
    """None: no hub's log."""
