"""What the guard remembers between steps, and what it answers."""

from dataclasses import dataclass

from bridge.guard.alarms import AlarmRecord
from bridge.guard.model import AlarmId, Flow, Permissive, Phase, Trip


@dataclass(frozen=True, slots=True)
class Latch:
    """One latched trip."""

    trip: Trip
    at: float
    remedied: bool = False
    """The cartridge was changed, or a retest passed, since it latched."""


@dataclass(frozen=True, slots=True)
class Evidence:
    """Since when each of these has lasted without a break (monotonic seconds); None while it does not."""

    fresh: float | None = None
    probe_bad: float | None = None
    level_bad: float | None = None
    over: float | None = None
    """Product over the limit, counted from an excess that interrupted a fill."""
    in_spec: float | None = None
    blocked: float | None = None
    """A fill is due, and the valve is shut for want of a permissive."""


@dataclass(frozen=True, slots=True)
class FillRecord:
    """The fill that runs, or the last one."""

    open_s: float = 0.0
    """How long water was let into the reservoir."""
    volume_l: float = 0.0
    """What came in: by flow pulses where fitted, else by the rise of the level."""
    rinse_s: float = 0.0
    """How long the rinse that runs has been open."""
    excursions: int = 0
    """How often product over the limit interrupted it."""
    start_volume_l: float | None = None
    """The level it started from."""
    base_volume_l: float | None = None
    """The level that the next rise is counted from."""
    base_open_s: float = 0.0
    """``open_s`` when that level was noted."""


NO_FILL = FillRecord()


@dataclass(frozen=True, slots=True)
class Closed:
    """What the level did since the valve was shut."""

    since: float
    lowest_l: float | None = None
    below_mark: bool = False
    """The level was seen below the fill mark since the valve has been shut and settled."""


@dataclass(frozen=True, slots=True)
class GuardState:
    """Everything the guard remembers. Build the first with :func:`begin`."""

    started_at: float
    stepped_at: float
    since: float
    """When the phase was entered."""
    phase: Phase = Phase.IDLE
    flow: Flow = Flow.SHUT
    """What the last decision was."""
    wanted: bool = False
    """A person asked for a fill."""
    hold: bool = False
    latches: tuple[Latch, ...] = ()
    first_out: Trip | None = None
    """The trip that came first, kept until every trip is reset."""
    evidence: Evidence = Evidence()
    fill: FillRecord = NO_FILL
    closed: Closed = Closed(0.0)
    volume_l: float | None = None
    """The measured volume at the last step."""
    throughput_l: float | None = None
    day_from: float = 0.0
    day_l: float = 0.0
    """What came in within the 24 hours that began at ``day_from``."""
    alarms: tuple[AlarmRecord, ...] = ()


# A state that differs in part. Written out, in the order of the fields, because this lies between a reading
# and the valve, where dataclasses.replace costs twice as much.


def moved(
    state: GuardState, phase: Phase, since: float, fill: FillRecord, day_l: float, wanted: bool
) -> GuardState:
    """The state elsewhere in the fill sequence."""
    return GuardState(
        state.started_at, state.stepped_at, since, phase, state.flow, wanted, state.hold,
        state.latches, state.first_out, state.evidence, fill, state.closed,
        state.volume_l, state.throughput_l, state.day_from, day_l, state.alarms,
    )  # fmt: skip


def latched(
    state: GuardState, latches: tuple[Latch, ...], first_out: Trip | None, closed: Closed
) -> GuardState:
    """The state with these trips latched."""
    return GuardState(
        state.started_at, state.stepped_at, state.since, state.phase, state.flow, state.wanted, state.hold,
        latches, first_out, state.evidence, state.fill, closed,
        state.volume_l, state.throughput_l, state.day_from, state.day_l, state.alarms,
    )  # fmt: skip


def decided(state: GuardState, flow: Flow, evidence: Evidence, alarms: tuple[AlarmRecord, ...]) -> GuardState:
    """The state after a decision: what flows, and what that means for evidence and alarms."""
    return GuardState(
        state.started_at, state.stepped_at, state.since, state.phase, flow, state.wanted, state.hold,
        state.latches, state.first_out, evidence, state.fill, state.closed,
        state.volume_l, state.throughput_l, state.day_from, state.day_l, alarms,
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class Latched:
    """A trip has latched."""

    trip: Trip
    first_out: bool


@dataclass(frozen=True, slots=True)
class Unlatched:
    """A latched trip was reset, by whom."""

    trip: Trip
    by: str


@dataclass(frozen=True, slots=True)
class PhaseChanged:
    """The fill sequence moved on."""

    before: Phase
    after: Phase


@dataclass(frozen=True, slots=True)
class AlarmChanged:
    """An alarm moved within its life cycle; ``shelved`` is how it is shown."""

    alarm: AlarmId
    before: str
    after: str
    shelved: bool


GuardEvent = Latched | Unlatched | PhaseChanged | AlarmChanged


@dataclass(frozen=True, slots=True)
class Reply:
    """What became of one command, by its place in the sequence given to the step."""

    index: int
    accepted: bool
    sentence: str


@dataclass(frozen=True, slots=True)
class Decision:
    """What one step decided."""

    flow: Flow
    lease_s: float
    """For how long the flow may last without another decision; 0 when shut."""
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
) -> GuardState:
    """The state at the start of the process, with what an earlier process left behind."""
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
        alarms=alarms,
    )
