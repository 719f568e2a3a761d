"""The inventory of a station: estimate of the reservoir, load of the purifier, watch over the product cell.

Core. An inflow is first collected in litres and milligrams, because a fill has many readings. It enters the
estimate at the end of the fill, or after a tenth of the capacity.

The guard is on the safe side of the estimate: each inflow counts at least as its reading plus its guard band,
and a sample counts at least as its value. :attr:`Inventory.band_ppm` is the distance between this and the
estimate. No verdict has a smaller uncertainty than the band, so guard and verdict agree.
"""

from dataclasses import dataclass, replace

from bridge.estimate import reservoir, watch
from bridge.estimate.reservoir import Basis, HandSample, Reservoir
from bridge.estimate.verdict import Judgement, decide
from bridge.estimate.watch import CellWatch
from bridge.guard.commands import HandAccuracy
from bridge.guard.model import Flow
from bridge.purifier.cartridge import Load, add
from bridge.station.check_cell import Ratio
from bridge.station.plan import StationPlan
from bridge.tank.level import Level, Zone
from bridge.water.calibration import DRIFT_PERCENT_PER_YEAR
from bridge.water.meter import USUAL_METER, MeterUnit, read

DEAD_BAND = 0.005
"""Share of the capacity. Without it, noise on the level would count as inflow and draw-off every second."""
LARGEST_INFLOW = 0.1
"""Share of the capacity after which an inflow enters the estimate, although the fill goes on."""
LEVEL_SD = 0.02
"""Standard uncertainty of the volume as a share of the capacity (common practice, no source)."""
COUNTED_SD = 0.03
"""Standard uncertainty of the litres of a flow meter, as a share (common practice, no source)."""
UNKNOWN_PERCENT = 50.0
"""Standard uncertainty of product that no sound probe has measured."""
AGE_EVERY_S = 3600.0
_DAY_S = 86_400.0


@dataclass(frozen=True, slots=True)
class Inflow:
    """The inflow that is not in the estimate yet."""

    litres: float = 0.0
    """By the rise of the level."""
    product_mg: float = 0.0
    """By the readings."""
    worst_mg: float = 0.0
    """By the readings with their guard bands."""
    own_percent: float = 0.0
    """See :func:`bridge.estimate.reservoir.own_percent_of`; the largest of the inflow."""
    counted_l: float = 0.0
    """By the flow meter."""


_NO_INFLOW = Inflow()


@dataclass(frozen=True, slots=True)
class Inventory:
    """The estimate of the reservoir, and the state of its purifier."""

    water: Reservoir
    located: bool = False
    """False until the volume is known; before that the volume of ``water`` is a guess."""
    band_ppm: float = 0.0
    inflow: Inflow = _NO_INFLOW
    load: Load = Load()
    was_low: bool = False
    """Switches only: True if the level was at the refill mark after it was last at the fill mark."""
    watch: CellWatch = CellWatch()
    aged_at: float | None = None
    """The time up to which the estimate has aged, monotonic seconds."""
    pulses: int | None = None
    """At a start: the last count of flow pulses of the earlier process. Counting goes on from it."""
    controller: str | None = None
    """At a start: the id of the controller of the earlier process."""
    ratio: Ratio = Ratio()
    """The usual ratio of the check cell to the product cell."""


def begin(plan: StationPlan) -> Inventory:
    """Return the inventory of a reservoir that nobody has measured."""
    percent = plan.product.chain.uncertainties.cell_constant_percent
    return unmeasured(plan.assumed_ppm, plan.identity.capacity_l, percent)


def unmeasured(assumed_ppm: float, capacity_l: float = 200.0, cell_percent: float = 5.0) -> Inventory:
    """Return an inventory whose water is assumed and whose volume is not known."""
    half_l = 0.5 * capacity_l
    return Inventory(
        reservoir.begin(assumed_ppm, half_l, volume_sd_l=0.5 * half_l, cell_percent=cell_percent)
    )


def assuming(fresh: Inventory, ppm: float, volume_l: float | None = None) -> Inventory:
    """Return the inventory of a first start with another assumed concentration, and perhaps a volume."""
    _, percent = fresh.water.cell_gain_percent
    if volume_l is None:
        return replace(fresh, water=unmeasured(ppm, 2.0 * fresh.water.volume_l, percent).water)
    water = reservoir.begin(
        ppm, volume_l, volume_sd_l=2.0 * LEVEL_SD * fresh.water.volume_l, cell_percent=percent
    )
    return replace(fresh, water=water, located=True)


def holding(inventory: Inventory) -> float:
    """Return the dissolved solids of the reservoir in ppm, by the estimate."""
    water, inflow = inventory.water, inventory.inflow
    if inflow.litres <= 0.0:
        return water.ppm
    solids_mg = water.ppm * water.volume_l + _true(water, inflow.product_mg)
    return solids_mg / (water.volume_l + inflow.litres)


def holding_at_worst(inventory: Inventory) -> float:
    """Return the dissolved solids that the guard counts with, in ppm."""
    water, inflow = inventory.water, inventory.inflow
    held_ppm = water.ppm + inventory.band_ppm
    if inflow.litres <= 0.0:
        return held_ppm
    worst_mg = max(inflow.worst_mg, _true(water, inflow.product_mg))
    return (held_ppm * water.volume_l + worst_mg) / (water.volume_l + inflow.litres)


def judged(inventory: Inventory, limit_ppm: float, target_ppm: float) -> Judgement:
    """Return the judgement on the water of the reservoir."""
    inventory = taken_in(inventory)
    band_ppm = max(inventory.water.expanded_ppm, inventory.band_ppm)
    return decide(inventory.water.ppm, band_ppm, limit_ppm, target_ppm)


def sample_of(plan: StationPlan, ppm: float, accuracy: HandAccuracy | None = None) -> HandSample:
    """Return a hand sample, in ppm on the scale of the limit.

    Args:
        plan: the plan, which names the meter of the reservoir.
        ppm: the sample.
        accuracy: its accuracy; None for that of the meter in the plan.
    """
    if accuracy is not None:
        return HandSample(
            ppm, accuracy.common_ppm, accuracy.own_ppm, accuracy.meter, accuracy.below_resolution
        )
    factor, meter = plan.identity.factor, plan.meter
    if meter is USUAL_METER:
        meter = replace(meter, factor=factor)
    # The number is on the scale of the limit, and perhaps not on that of the meter.
    per_ppm = 1.0 / factor if meter.unit is MeterUnit.US_CM else meter.factor / factor
    reading = read(replace(meter, compensated=True), ppm * per_ppm, factor)
    return HandSample(
        reading.measurement.dissolved_solids_ppm,
        reading.common_ppm,
        reading.own_ppm,
        meter.ident,
        reading.below_resolution,
    )


def accuracy_of(plan: StationPlan, ppm: float) -> HandAccuracy:
    """Return the accuracy of a hand measurement with the meter in the plan."""
    sample = sample_of(plan, ppm)
    return HandAccuracy(sample.meter, sample.common_ppm, sample.own_ppm, sample.below_resolution)


def sampled(inventory: Inventory, sample: HandSample, limit_ppm: float, now: float) -> Inventory:
    """Return the inventory after a hand sample of the reservoir.

    An assumed value is no evidence against a sample. A sample at or over the limit counts in full, because a
    wrong yes costs the plants more than a wrong no.
    """
    inventory = taken_in(inventory)
    before, seen = inventory.water, inventory.watch
    assumed = before.basis is Basis.ASSUMED
    if not assumed:
        seen = watch.sample_seen(seen, reservoir.contradiction(before, sample))
    in_full = assumed or not sample.ppm < limit_ppm
    water = reservoir.sampled(before, sample, now, in_full=in_full)
    band_ppm = max(sample.ppm - water.ppm, 0.0) if in_full else 0.0
    return replace(inventory, water=water, band_ppm=band_ppm, watch=seen)


def renewed(inventory: Inventory) -> Inventory:
    """Return the inventory after a new cartridge or membrane was fitted."""
    return replace(inventory, load=Load())


def watched(inventory: Inventory, seen: CellWatch) -> Inventory:
    """Return the inventory with what the watch has seen. A doubtful cell widens the estimate."""
    water = inventory.water
    if watch.doubts(seen):
        water = reservoir.doubted(water, watch.DOUBTFUL_PERCENT)
    return replace(inventory, water=water, watch=seen)


def recalibrated(inventory: Inventory, cell_percent: float) -> Inventory:
    """Return the inventory after the product cell was calibrated or changed."""
    return replace(
        inventory,
        water=reservoir.recalibrated(inventory.water, cell_percent),
        watch=watch.calibrated(inventory.watch),
    )


def follow(
    plan: StationPlan,
    before: Inventory,
    level: Level,
    path: Flow,
    pulsed_l: float | None,
    product_ppm: float | None,
    guard_band_ppm: float,
    feed_ppm: float | None,
    elapsed_s: float,
    now: float,
) -> Inventory:
    """Return the inventory after one reading. The same object if nothing changed.

    Args:
        plan: the reservoir.
        before: the inventory so far.
        level: the level now.
        path: the path of the water.
        pulsed_l: the inflow by flow pulses since the last reading. None without a sound flow meter.
        product_ppm: the product; None without a sound probe.
        guard_band_ppm: the expanded uncertainty of the product.
        feed_ppm: the feed; None if it is not known.
        elapsed_s: the time since the last reading, 0 for the first one.
        now: monotonic seconds.
    """
    product = _Product.of(plan, product_ppm, guard_band_ppm)
    if level.volume_l is None:
        after, treated_l = _by_switches(plan, before, level, path, pulsed_l, product, elapsed_s)
    else:
        after, treated_l = _by_level(plan, before, level.volume_l, path, pulsed_l, product)
    if plan.litres_per_pulse is not None:
        treated_l = pulsed_l or 0.0
    if treated_l > 0.0 and product_ppm is not None:
        # An exhausted bed lets everything through, but releases nothing.
        from_ppm = product_ppm if feed_ppm is None or feed_ppm < product_ppm else feed_ppm
        after = replace(after, load=add(after.load, treated_l, from_ppm, product_ppm))
    zone = level.zone
    was_low = zone is Zone.LOW or (before.was_low and zone is not Zone.FULL)
    if was_low is not before.was_low:
        after = replace(after, was_low=was_low)
    if after.aged_at is None:
        return replace(after, aged_at=now)
    if now - after.aged_at >= AGE_EVERY_S:
        days = (now - after.aged_at) / _DAY_S
        water = reservoir.aged(after.water, days, drift_percent_per_year=DRIFT_PERCENT_PER_YEAR)
        return replace(after, water=water, aged_at=now)
    return after


@dataclass(frozen=True, slots=True)
class _Product:
    """The product at one reading, as an inflow would count."""

    ppm: float
    worst_ppm: float
    own_percent: float
    known: bool

    @classmethod
    def of(cls, plan: StationPlan, ppm: float | None, guard_band_ppm: float) -> "_Product":
        if ppm is None:
            gross_ppm = plan.limits.gross_ppm
            return cls(gross_ppm, gross_ppm, UNKNOWN_PERCENT, False)
        shown_ppm = max(ppm, 0.0)
        percent = plan.product.chain.uncertainties.cell_constant_percent
        own_percent = reservoir.own_percent_of(shown_ppm, guard_band_ppm, percent)
        return cls(shown_ppm, max(ppm + guard_band_ppm, 0.0), min(own_percent, UNKNOWN_PERCENT), True)


def _by_level(
    plan: StationPlan,
    before: Inventory,
    volume_l: float,
    path: Flow,
    pulsed_l: float | None,
    product: _Product,
) -> tuple[Inventory, float]:
    """Return the inventory at the measured volume, and the litres that the purifier has treated."""
    capacity_l = plan.identity.capacity_l
    sd_l, dead_l = LEVEL_SD * capacity_l, DEAD_BAND * capacity_l
    if not before.located:
        water = reservoir.located(before.water, volume_l, sd_l)
        return replace(before, water=water, located=True), 0.0
    after, treated_l = before, 0.0
    change_l = volume_l - before.water.volume_l - before.inflow.litres
    if path is Flow.TO_RESERVOIR:
        if change_l > 0.0 or pulsed_l:
            treated_l = max(change_l, 0.0)
            after = replace(before, inflow=_more(before.inflow, treated_l, pulsed_l or 0.0, product))
        if after.inflow.litres >= LARGEST_INFLOW * capacity_l:
            after = _seen(taken_in(after), volume_l, sd_l)
    elif before.inflow.litres > 0.0 or before.inflow.counted_l > 0.0:
        after = taken_in(before)
    if change_l <= -dead_l:
        after = taken_in(after)
        return _seen(replace(after, water=reservoir.drawn(after.water, -change_l)), volume_l, sd_l), 0.0
    if change_l >= dead_l and path is not Flow.TO_RESERVOIR:
        if plan.rain_ppm is not None:
            risen = replace(after, water=reservoir.rained(after.water, change_l, plan.rain_ppm))
        elif product.known:
            risen = taken_in(replace(after, inflow=_more(_NO_INFLOW, change_l, 0.0, product)))
        else:
            # Nothing is known about this water, so it counts as that of the reservoir.
            risen = replace(after, water=replace(after.water, volume_l=after.water.volume_l + change_l))
        return _seen(risen, volume_l, sd_l), 0.0
    return after, treated_l


def _by_switches(
    plan: StationPlan,
    before: Inventory,
    level: Level,
    path: Flow,
    pulsed_l: float | None,
    product: _Product,
    elapsed_s: float,
) -> tuple[Inventory, float]:
    """Without a volume, bad water counts at full flow, good water at the end of a complete fill."""
    if path is not Flow.TO_RESERVOIR or level.volume_at_least_l <= 0.0:
        return before, 0.0
    settings, shape = plan.level, plan.level.shape
    refill_l, fill_l = shape.volume_l(settings.refill_m), shape.volume_l(settings.fill_m)
    sd_l = LEVEL_SD * plan.identity.capacity_l
    if level.zone is Zone.FULL and before.was_low and product.known:
        at_refill = replace(before, water=reservoir.located(before.water, refill_l, sd_l))
        filled = replace(at_refill, inflow=_more(_NO_INFLOW, fill_l - refill_l, 0.0, product))
        return taken_in(filled), fill_l - refill_l
    if product.worst_ppm > holding_at_worst(before):
        litres = plan.limits.flow_max_l_s * elapsed_s if pulsed_l is None else pulsed_l
        at_least = replace(before, water=reservoir.located(before.water, level.volume_at_least_l, sd_l))
        bad = replace(at_least, inflow=_more(_NO_INFLOW, litres, 0.0, product))
        return taken_in(bad), 0.0
    return before, 0.0


def _more(inflow: Inflow, litres: float, counted_l: float, product: _Product) -> Inflow:
    return Inflow(
        inflow.litres + litres,
        inflow.product_mg + litres * product.ppm,
        inflow.worst_mg + litres * product.worst_ppm,
        max(inflow.own_percent, product.own_percent) if litres > 0.0 else inflow.own_percent,
        inflow.counted_l + counted_l,
    )


def taken_in(inventory: Inventory) -> Inventory:
    """Return the inventory with its inflow in the estimate; the same object without an inflow.

    If the flow meter counted clearly more than the level rose, water was drawn off during the fill.
    """
    inflow = inventory.inflow
    if inflow.litres <= 0.0:
        return inventory if inflow is _NO_INFLOW else replace(inventory, inflow=_NO_INFLOW)
    before, mean_ppm = inventory.water, inflow.product_mg / inflow.litres
    worst_ppm = max(inflow.worst_mg / inflow.litres, _true(before, mean_ppm))
    litres = max(inflow.litres, inflow.counted_l * (1.0 - COUNTED_SD))
    water = reservoir.filled(
        before, litres, mean_ppm, own_percent=inflow.own_percent, litres_sd=COUNTED_SD * litres
    )
    if litres > inflow.litres:
        water = reservoir.drawn(water, litres - inflow.litres, COUNTED_SD * litres)
    held_ppm, kept_l = before.ppm + inventory.band_ppm, before.volume_l
    # The water that the level does not show may also have gone beside the reservoir.
    at_worst_ppm = max(
        (held_ppm * kept_l + worst_ppm * one_l) / (kept_l + one_l) for one_l in (inflow.litres, litres)
    )
    band_ppm = max(at_worst_ppm - water.ppm, 0.0)
    return replace(inventory, water=water, band_ppm=band_ppm, inflow=_NO_INFLOW)


def _seen(inventory: Inventory, volume_l: float, sd_l: float) -> Inventory:
    return replace(inventory, water=reservoir.volume_seen(inventory.water, volume_l, sd_l))


def _true(water: Reservoir, shown: float) -> float:
    return max(shown * (1.0 + water.cell_gain + water.season_gain), 0.0)
