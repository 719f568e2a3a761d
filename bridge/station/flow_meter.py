"""The flow meter: from a count of pulses to litres that can have flowed. Core.

A count is used at once if the purifier can deliver that much in the time since the last count that was used.
Any other count waits: if :data:`CONVINCING_RUN` counts in a row go on from each other, the counter has indeed
moved. Then the litres are used if they can have flowed in the whole time. Otherwise they are used nowhere,
counting goes on from the new count, and the meter has failed. So neither one torn count nor a count that
jumps by a wild value becomes water.

A count that falls is treated likewise. If it convinces, the controller has restarted and has counted from 0.
A hello of a restart makes that certain at once: :func:`restarted`.
"""

from dataclasses import dataclass, replace

CONVINCING_RUN = 3
"""This many counts in a row that go on from each other show that the counter has moved."""
MARGIN = 1.5
"""The flow may be larger than the configured one by this factor before a count is doubted."""
SLACK_S = 5.0
"""The flow of this time is allowed on top, because readings may arrive late and then together."""
UNDOUBTED_S = 60.0
"""The flow of this time is used at once after a gap. More must convince."""
FAILURE_SHOWN_S = 60.0
"""A failure of the meter is shown for this long after its last impossible count."""

_MODULUS = 2**32


@dataclass(frozen=True, slots=True)
class FlowMeter:
    """The state of a flow meter between readings."""

    pulses: int | None = None
    """The last count that was used. None before the first one."""
    at: float | None = None
    """Its time, monotonic seconds. None if an earlier process used it."""
    credit_l: float = 0.0
    """The litres that may still be counted for the time before ``at``."""
    doubted: int | None = None
    """The last count that was not used."""
    doubted_at: float = 0.0
    run: int = 0
    """The number of doubted counts that go on from each other."""
    failed_at: float | None = None
    """The time of the last impossible count."""

    @property
    def caught_up(self) -> bool:
        """True if the litres since the last count of an earlier process are counted."""
        return self.pulses is not None and self.at is not None

    def failing(self, now: float) -> bool:
        """Return whether the meter has failed a short time ago."""
        return self.failed_at is not None and now - self.failed_at < FAILURE_SHOWN_S


def restarted(meter: FlowMeter) -> FlowMeter:
    """Return the meter after a restart of the controller: it counts from 0."""
    return replace(meter, pulses=0, doubted=None, run=0) if meter.pulses is not None else meter


def count(
    meter: FlowMeter,
    pulses: int,
    now: float,
    litres_per_pulse: float,
    flow_max_l_s: float,
    unseen_max_l: float,
) -> tuple[FlowMeter, float | None]:
    """Take the next count.

    Args:
        meter: the state that the last call returned.
        pulses: the count. It wraps at 2**32.
        now: monotonic seconds.
        litres_per_pulse: the volume of one pulse.
        flow_max_l_s: the greatest flow of the purifier.
        unseen_max_l: the most that can have flowed between two processes of the bridge.

    Returns:
        The next state, and the litres since the last count that was used. None if this count is doubted.
    """
    rate_l_s = MARGIN * flow_max_l_s
    slack_l = rate_l_s * SLACK_S + 2.0 * litres_per_pulse
    if meter.pulses is None:
        return FlowMeter(pulses, now, slack_l), 0.0
    counted = (pulses - meter.pulses) % _MODULUS
    elapsed_s = UNDOUBTED_S if meter.at is None else max(0.0, now - meter.at)
    credit_l = min(meter.credit_l, slack_l) + rate_l_s * min(elapsed_s, UNDOUBTED_S)
    litres = counted * litres_per_pulse
    if litres <= credit_l:
        # A doubted count that nothing followed was damaged.
        failed_at = meter.failed_at if meter.doubted is None else now
        return FlowMeter(pulses, now, credit_l - litres, failed_at=failed_at), litres

    restarts = counted > _MODULUS // 2
    if restarts:
        litres = pulses * litres_per_pulse
    possible_l = unseen_max_l if meter.at is None else slack_l + rate_l_s * elapsed_s
    run = 1
    if meter.doubted is not None:
        more_l = (pulses - meter.doubted) % _MODULUS * litres_per_pulse
        if more_l <= slack_l + rate_l_s * max(0.0, now - meter.doubted_at):
            run = meter.run + 1
    if run >= CONVINCING_RUN:
        if litres <= possible_l:
            return FlowMeter(pulses, now, slack_l, failed_at=meter.failed_at), litres
        return FlowMeter(pulses, now, slack_l, failed_at=now), 0.0
    impossible = litres > possible_l or (meter.doubted is not None and run == 1)
    failed_at = now if impossible else meter.failed_at
    return replace(meter, doubted=pulses, doubted_at=now, run=run, failed_at=failed_at), None
