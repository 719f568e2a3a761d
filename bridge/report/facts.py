"""What must be known of a reservoir, beside its log, to report on it. Core.

It comes from the configuration, or, where only a log is at hand, from what the daemon kept in it.
"""

from collections.abc import Iterable
from dataclasses import dataclass

from bridge.config.tables import usual_advice_ppm
from bridge.forecast.learned import Kept
from bridge.history.records import Series
from bridge.history.rollup import Bucket
from bridge.station.plan import CalibrationInForce, CartridgePlan, StationPlan
from bridge.water.solids import LIMIT_PPM, Scale


@dataclass(frozen=True, slots=True)
class Facts:
    """One reservoir as the report needs it."""

    reservoir: str
    name: str
    limit_ppm: float
    advice_ppm: float
    factor: float
    """The scale of every ppm: ppm for each µS/cm at 25 °C."""
    volume_known: bool
    """False where only switches are fitted and no flow sensor: then litres are counted from mark to mark."""
    cartridge: CartridgePlan | None
    feed_ppm: float | None = None
    """What the feed is taken to be where the log has none."""
    in_force: tuple[tuple[str, CalibrationInForce], ...] = ()
    """By cell, the calibration that its constant comes from today."""
    assumed: tuple[str, ...] = ()
    """What nobody said, as sentences."""


def from_plan(plan: StationPlan) -> Facts:
    """The facts of a configured reservoir."""
    identity = plan.identity
    cells = (("product", plan.product), ("feed", plan.feed))
    return Facts(
        identity.reservoir,
        identity.name,
        identity.limit_ppm,
        identity.advice_ppm,
        identity.factor,
        volume_known=identity.has_volume or plan.litres_per_pulse is not None,
        cartridge=plan.cartridge,
        feed_ppm=plan.feed_ppm,
        in_force=tuple(
            (cell, probe.calibration)
            for cell, probe in cells
            if probe is not None and probe.calibration is not None
        ),
    )


def from_log(reservoir: str, kept: Kept | None, hours: Iterable[Bucket]) -> Facts:
    """The facts of a reservoir of which only the log is at hand.

    :param kept: what the daemon kept of its forecast, which holds limit and cartridge.
    :param hours: roll-ups, which show the scale and whether a volume is measured.
    """
    limit_ppm = LIMIT_PPM if kept is None else kept.limit_ppm
    advice_ppm = usual_advice_ppm(limit_ppm)
    factor, volume_known = None, False
    for bucket in hours:
        volume_known = volume_known or bucket.cells[Series.VOLUME] is not None
        ppm, us_cm = bucket.cells[Series.PRODUCT_PPM], bucket.cells[Series.CONDUCTIVITY_25]
        if factor is None and ppm is not None and us_cm is not None and us_cm.mean > 0.0:
            factor = round(ppm.mean / us_cm.mean, 3)
        if factor is not None and volume_known:
            break
    assumed = [
        f"The advice is taken to be {advice_ppm:g} ppm: it stands in the configuration, which was not given."
    ]
    if kept is None:
        assumed.append(f"The limit is taken to be {limit_ppm:g} ppm, for the log does not say it.")
    if factor is None:
        factor = Scale.HALF.factor
        assumed.append(f"The scale is taken to be {factor:g} ppm per µS/cm, for the log does not show it.")
    return Facts(
        reservoir,
        reservoir,
        limit_ppm,
        advice_ppm,
        factor,
        volume_known,
        None if kept is None else kept.fitted,
        None if kept is None else kept.feed_ppm,
        assumed=tuple(assumed),
    )
