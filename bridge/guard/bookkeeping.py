"""What passes between two steps: open time, volume let in, the level while shut, lasting evidence."""

from dataclasses import replace

from bridge.guard.moment import Moment
from bridge.guard.state import Closed, Evidence, FillRecord, GuardState
from bridge.guard.trips import lasted
from bridge.guard.words import Flow, Phase
from bridge.tank.zone import Zone
from bridge.water.health import Health

DAY_S = 86_400.0


def account(moment: Moment, state: GuardState) -> GuardState:
    """The state brought up to this moment, before anything is decided."""
    now, seen = moment.now, moment.assessment
    elapsed_s = max(0.0, now - state.stepped_at)
    day_from, day_l = state.day_from, state.day_l
    if now - day_from >= DAY_S:
        day_from, day_l = now, 0.0
    fill, closed = state.fill, state.closed
    if state.flow is not Flow.SHUT:
        fill = _fill(moment, state, elapsed_s)
    if state.flow is Flow.TO_RESERVOIR:
        closed = Closed(now)
    elif lasted(closed.since, now, moment.limits.settle_s):
        closed = _closed(moment, closed)
    # Written out because this runs for every reading, where dataclasses.replace costs twice as much.
    return GuardState(
        started_at=state.started_at,
        stepped_at=now,
        since=state.since,
        phase=state.phase,
        flow=state.flow,
        wanted=state.wanted,
        hold=state.hold,
        latches=state.latches,
        first_out=state.first_out,
        evidence=_evidence(moment, state),
        fill=fill,
        closed=closed,
        day_from=day_from,
        day_l=day_l,
        alarms=state.alarms,
        volume_l=state.volume_l if seen.volume_l is None else seen.volume_l,
        throughput_l=state.throughput_l if seen.throughput_l is None else seen.throughput_l,
    )


def _fill(moment: Moment, state: GuardState, elapsed_s: float) -> FillRecord:
    fill, seen = state.fill, moment.assessment
    rinse_s = fill.rinse_s + (elapsed_s if state.phase is Phase.RINSE else 0.0)
    if state.flow is not Flow.TO_RESERVOIR:
        return replace(fill, rinse_s=rinse_s)
    open_s = fill.open_s + elapsed_s
    volume_l, base_l, base_open_s = fill.volume_l, fill.base_volume_l, fill.base_open_s
    start_l = fill.start_volume_l
    if seen.throughput_l is not None and state.throughput_l is not None:
        volume_l += max(0.0, seen.throughput_l - state.throughput_l)
    if seen.volume_l is not None:
        start_l = seen.volume_l if start_l is None else start_l
        if seen.throughput_l is None:
            # The net rise, not the sum of the ups: noise on a level would add up for ever.
            volume_l = max(volume_l, seen.volume_l - start_l)
        if base_l is None or seen.volume_l >= base_l + moment.limits.no_rise_l:
            base_l, base_open_s = seen.volume_l, open_s
        base_l = min(base_l, seen.volume_l)
    return FillRecord(open_s, volume_l, rinse_s, fill.excursions, start_l, base_l, base_open_s)


def _closed(moment: Moment, closed: Closed) -> Closed:
    volume_l, zone = moment.assessment.volume_l, moment.assessment.zone
    if volume_l is not None:
        if closed.lowest_l is None or volume_l < closed.lowest_l:
            return replace(closed, lowest_l=volume_l)
    elif not closed.below_mark and zone is not None and zone is not Zone.FULL:
        return replace(closed, below_mark=True)
    return closed


def unbroken(before: float | None, holds: bool, now: float) -> float | None:
    """Since when something has held without a break; None while it does not."""
    if not holds:
        return None
    return now if before is None else before


def _evidence(moment: Moment, state: GuardState) -> Evidence:
    now, seen, before = moment.now, moment.assessment, state.evidence
    over = before.over
    if state.phase is Phase.FILL:
        over = unbroken(over, moment.over and moment.probe_sound and moment.fresh, now)
    elif state.phase is not Phase.PAUSE or (moment.probe_sound and not moment.over):
        over = None
    after = Evidence(
        fresh=unbroken(before.fresh, moment.fresh, now),
        probe_bad=unbroken(
            before.probe_bad, moment.fresh and seen.probe is Health.FAILURE and not moment.probe_sound, now
        ),
        level_bad=unbroken(before.level_bad, moment.fresh and seen.zone is None, now),
        over=over,
        in_spec=unbroken(before.in_spec, moment.fresh and moment.probe_sound and not moment.over, now),
        blocked=before.blocked,
    )
    return before if after == before else after
