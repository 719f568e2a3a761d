"""What passes between two steps: open time, volume let in, the level while shut, lasting evidence."""

from dataclasses import replace

from bridge.guard.moment import Moment
from bridge.guard.state import Closed, Evidence, FillRecord, GuardState
from bridge.guard.words import FILL, PAUSE, RINSE, SHUT, TO_RESERVOIR
from bridge.tank.level import Zone
from bridge.water.health import Health

DAY_S = 86_400.0
_FAILURE, _FULL = Health.FAILURE, Zone.FULL


def account(moment: Moment, state: GuardState) -> GuardState:
    """The state brought up to this moment, before anything is decided."""
    now, seen = moment.now, moment.assessment
    day_from, day_l = state.day_from, state.day_l
    if now - day_from >= DAY_S:
        day_from, day_l = now, 0.0
    fill, closed = state.fill, state.closed
    if state.flow is not SHUT:
        fill = _fill(moment, state)
    if state.flow is TO_RESERVOIR:
        closed = Closed(now)
    elif now - closed.since >= moment.limits.settle_s:
        closed = _closed(moment, closed)
    # In the order of the fields, without their names, because this runs for every reading.
    return GuardState(
        state.started_at,
        now,
        state.since,
        state.phase,
        state.flow,
        state.wanted,
        state.hold,
        state.latches,
        state.first_out,
        _evidence(moment, state),
        fill,
        closed,
        state.volume_l if seen.volume_l is None else seen.volume_l,
        state.throughput_l if seen.throughput_l is None else seen.throughput_l,
        day_from,
        day_l,
        state.alarms,
    )


def _fill(moment: Moment, state: GuardState) -> FillRecord:
    fill, seen = state.fill, moment.assessment
    elapsed_s = max(0.0, moment.now - state.stepped_at)
    rinse_s = fill.rinse_s
    if state.phase is RINSE:
        rinse_s += elapsed_s
    if state.flow is not TO_RESERVOIR:
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
    elif not closed.below_mark and zone is not None and zone is not _FULL:
        return replace(closed, below_mark=True)
    return closed


def unbroken(before: float | None, now: float) -> float | None:
    """Since when something has held, that holds now and held since ``before`` if that is a time."""
    return now if before is None else before


def _evidence(moment: Moment, state: GuardState) -> Evidence:
    now, seen, before = moment.now, moment.assessment, state.evidence
    fresh, sound, over = moment.fresh, moment.probe_sound, before.over
    if state.phase is FILL:
        over = unbroken(over, now) if fresh and sound and moment.over else None
    elif state.phase is not PAUSE or (sound and not moment.over):
        over = None
    fresh_since = unbroken(before.fresh, now) if fresh else None
    probe_bad = unbroken(before.probe_bad, now) if fresh and seen.probe is _FAILURE else None
    level_bad = unbroken(before.level_bad, now) if fresh and seen.zone is None else None
    in_spec = unbroken(before.in_spec, now) if fresh and sound and not moment.over else None
    if (
        fresh_since is before.fresh
        and probe_bad is before.probe_bad
        and level_bad is before.level_bad
        and over is before.over
        and in_spec is before.in_spec
    ):
        return before
    return Evidence(fresh_since, probe_bad, level_bad, over, in_spec, before.blocked)
