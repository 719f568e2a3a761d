"""The state that the guard keeps between scans, and its results: events, replies and the decision."""

from dataclasses import dataclass

from bridge.guard.alarms import AlarmRecord
from bridge.guard.model import AlarmId, Flow, Permissive, Phase, Trip


@dataclass(frozen=True, slots=True)
class Latch:
    """One latched trip."""

    trip: Trip
    at: float
    remedied: bool = False
    """True if the cartridge was changed, or a retest passed, after the trip latched."""


@dataclass(frozen=True, slots=True)
class Evidence:
    """Start times of lasting conditions, in monotonic seconds. None while a condition does not hold."""

    fresh: float | None = None
    probe_bad: float | None = None
    level_bad: float | None = None
    over: float | None = None
    """Product over the limit, since the excess that interrupted a fill."""
    in_spec: float | None = None
    blocked: float | None = None
    """A fill is pending, and the valve is shut because a permissive is missing."""
    disagree: float | None = None
    """The two cells in the product disagree, since they did so in this fill without a break."""


@dataclass(frozen=True, slots=True)
class FillRecord:
    """The running fill, or the last one."""

    open_s: float = 0.0
    """Time for which water flowed to the reservoir."""
    volume_l: float = 0.0
    """Inflow, from flow pulses if fitted, else from the rise of the level."""
    rinse_s: float = 0.0
    """Open time of the running rinse."""
    excursions: int = 0
    """Number of interruptions by product over the limit."""
    start_volume_l: float | None = None
    """The volume at the start of the fill."""
    base_volume_l: float | None = None
    """The volume from which the next rise is counted."""
    base_open_s: float = 0.0
    """``open_s`` at the time of ``base_volume_l``."""


NO_FILL = FillRecord()


@dataclass(frozen=True, slots=True)
class Closed:
    """The level since the valve was shut."""

    since: float
    lowest_l: float | None = None
    below_mark: bool = False
    """True if the level was below the fill mark after the valve was shut and the water had settled."""


@dataclass(frozen=True, slots=True)
class GuardState:
    """The complete state of the guard. :func:`begin` makes the first one."""

    started_at: float
    stepped_at: float
    since: float
    """Entry time of the phase."""
    phase: Phase = Phase.IDLE
    flow: Flow = Flow.SHUT
    """The last decision."""
    wanted: bool = False
    """True if a person requested a fill."""
    hold: bool = False
    latches: tuple[Latch, ...] = ()
    first_out: Trip | None = None
    """The trip that came first. Kept until every trip is reset."""
    evidence: Evidence = Evidence()
    fill: FillRecord = NO_FILL
    closed: Closed = Closed(0.0)
    volume_l: float | None = None
    """The last measured volume."""
    throughput_l: float | None = None
    catching_up: bool = False
    """True until the inflow since the last counters of the earlier process is in ``day_l``."""
    day_from: float = 0.0
    day_l: float = 0.0
    """Inflow of the completed fills within the 24 hours from ``day_from``."""
    alarms: tuple[AlarmRecord, ...] = ()


@dataclass(frozen=True, slots=True)
class Latched:
    """A trip latched."""

    trip: Trip
    first_out: bool


@dataclass(frozen=True, slots=True)
class Unlatched:
    """A latched trip was reset. ``by`` is the sender, or ``itself``."""

    trip: Trip
    by: str


@dataclass(frozen=True, slots=True)
class PhaseChanged:
    """The fill sequence changed its phase."""

    before: Phase
    after: Phase


@dataclass(frozen=True, slots=True)
class AlarmChanged:
    """An alarm changed its status, or was shelved or unshelved."""

    alarm: AlarmId
    before: str
    after: str
    shelved: bool


GuardEvent = Latched | Unlatched | PhaseChanged | AlarmChanged


@dataclass(frozen=True, slots=True)
class Reply:
    """The result of one command. ``index`` is its place in the sequence given to the step."""

    index: int
    accepted: bool
    sentence: str


@dataclass(frozen=True, slots=True)
class Decision:
    """The result of one step."""

    flow: Flow
    lease_s: float
    """How long the flow may last without a new decision. 0 if shut."""
    missing: tuple[Permissive, ...]
    """The permissives that do not hold."""
    events: tuple[GuardEvent, ...] = ()
    replies: tuple[Reply, ...] = ()


def begin(
    now: float,
    *,
    latches: tuple[Latch, ...] = (),
    first_out: Trip | None = None,
    hold: bool = False,
    alarms: tuple[AlarmRecord, ...] = (),
    day_from: float | None = None,
    day_l: float = 0.0,
    catching_up: bool = False,
) -> GuardState:
    """Return the state at the start of the process.

    Args:
        now: monotonic seconds.
        latches: the trips that were latched when the last process ended.
        first_out: the first of these trips.
        hold: True if filling was on hold.
        alarms: the alarms that were not normal.
        day_from: start of the running 24 hours; None for now.
        day_l: inflow within these 24 hours, litres.
        catching_up: True if the flow pulses are counted on from an earlier process: the first throughput is
            then the inflow since its last counters.
    """
    return GuardState(
        started_at=now,
        stepped_at=now,
        since=now,
        phase=Phase.TRIPPED if latches else Phase.IDLE,
        hold=hold,
        latches=latches,
        first_out=first_out or (latches[0].trip if latches else None),
        closed=Closed(now),
        day_from=now if day_from is None else day_from,
        day_l=day_l,
        catching_up=catching_up,
        alarms=alarms,
    )
