"""The inventory of a station: estimate of the reservoir, load of the purifier, watch over the product cell.

Core. ``balance.py`` says what each reading changes in it.

The guard is on the safe side of the estimate: each inflow counts at least as its reading plus its guard band,
and a sample counts at least as its value. :attr:`Inventory.band_ppm` is the distance between this and the
estimate. No verdict has a smaller uncertainty than the band, so guard and verdict agree.
"""

import math
from dataclasses import dataclass, replace

from bridge.estimate import reservoir, watch
from bridge.estimate.reservoir import Basis, HandSample, Reservoir
from bridge.estimate.verdict import Judgement, decide
from bridge.estimate.watch import CellWatch
from bridge.guard.commands import HandAccuracy
from bridge.purifier.cartridge import Load
from bridge.station.cells import CellPair
from bridge.station.check_cell import Ratio
from bridge.station.inflow import NO_INFLOW, Inflow, at_worst_ppm, likely_ppm
from bridge.station.plan import StationPlan
from bridge.water.conductivity import REFERENCE_C, Method
from bridge.water.meter import USUAL_METER, MeterUnit, read

LEVEL_SD = 0.02
"""Standard uncertainty of the volume as a share of the capacity (common practice, no source)."""
COUNTED_SD = 0.03
"""Standard uncertainty of the litres of a flow meter, as a share (common practice, no source)."""
NEAR_K = 3.0
"""How far the temperature of the reservoir may be from that of the product cell (common practice, no source).
"""
_DAY_S = 86_400.0


@dataclass(frozen=True, slots=True)
class Inventory:
    """The estimate of the reservoir, and the state of its purifier."""

    water: Reservoir
    located: bool = False
    """False until the volume is known; before that the volume of ``water`` is a guess."""
    band_ppm: float = 0.0
    inflow: Inflow = NO_INFLOW
    load: Load = Load()
    was_low: bool = False
    """Switches only: True if the level was at the refill mark after it was last at the fill mark."""
    watch: CellWatch = CellWatch()
    unfinished_ppm: float = 0.0
    """Without a volume: the part of the band that the water of the running fill has added."""
    evaporated_l: float = 0.0
    """With a level sensor: what evaporated since the level last fell. It enters the estimate with the next
    fall, which has it in it; a restart before that forgets it."""
    aged_at: float | None = None
    """The time up to which the estimate has aged, monotonic seconds."""
    pulses: int | None = None
    """At a start: the last count of flow pulses of the earlier process. Counting goes on from it."""
    controller: str | None = None
    """At a start: the id of the controller of the earlier process."""
    proved_at: float | None = None
    """When the overflow float was last up, or when the reservoir was first kept; monotonic seconds."""
    ratio: Ratio = Ratio()
    """The usual ratio of the check cell to the product cell."""
    exchanged: CellPair | None = None
    """The values of product and feed before their plugs were exchanged, as long as they are."""


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
    water, litres = inventory.water, inventory.inflow.litres
    if litres <= 0.0:
        return water.ppm
    return (water.ppm * water.volume_l + likely_ppm(water, inventory.inflow) * litres) / (
        water.volume_l + litres
    )


def holding_at_worst(inventory: Inventory) -> float:
    """Return the dissolved solids that the guard counts with, in ppm."""
    water, litres = inventory.water, inventory.inflow.litres
    held_ppm = water.ppm + inventory.band_ppm
    if litres <= 0.0:
        return held_ppm
    worst_ppm = at_worst_ppm(water, inventory.inflow)
    return (held_ppm * water.volume_l + worst_ppm * litres) / (water.volume_l + litres)


def judged(inventory: Inventory, limit_ppm: float, target_ppm: float) -> Judgement:
    """Return the judgement on the water of the reservoir."""
    inventory = taken_in(inventory)
    band_ppm = max(inventory.water.expanded_ppm, inventory.band_ppm)
    return decide(inventory.water.ppm, band_ppm, limit_ppm, target_ppm)


def sample_of(
    plan: StationPlan, ppm: float, accuracy: HandAccuracy | None = None, product_c: float | None = None
) -> HandSample:
    """Return a hand sample, in ppm on the scale of the limit.

    Args:
        plan: the plan, which names the meter of the reservoir.
        ppm: the sample.
        accuracy: its accuracy; None for that of the meter in the plan.
        product_c: the temperature at the product cell, which is near that of the sample. None if it is not
            known.
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
    celsius = None
    if product_c is not None and Method.OFF.range_c[0] <= product_c <= Method.OFF.range_c[1]:
        # As far from 25 °C as the sample may be.
        away_k = math.copysign(NEAR_K, product_c - REFERENCE_C)
        celsius = min(max(product_c + away_k, Method.OFF.range_c[0]), Method.OFF.range_c[1])
    inputs = plan.product.chain.uncertainties
    reading = read(replace(meter, compensated=True), ppm * per_ppm, factor, celsius, inputs=inputs)
    return HandSample(
        reading.measurement.dissolved_solids_ppm,
        reading.common_ppm,
        reading.own_ppm,
        meter.ident,
        reading.below_resolution,
    )


def accuracy_of(plan: StationPlan, ppm: float, product_c: float | None = None) -> HandAccuracy:
    """Return the accuracy of a hand measurement with the meter in the plan. See :func:`sample_of`."""
    sample = sample_of(plan, ppm, product_c=product_c)
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
    return replace(inventory, water=water, band_ppm=band_ppm, unfinished_ppm=0.0, watch=seen)


def proof_test_due(plan: StationPlan, inventory: Inventory, now: float) -> bool:
    """Return whether the overflow float has not been up for as long as the plan allows."""
    limits, since = plan.limits, inventory.proved_at
    if not limits.has_overflow_float or since is None:
        return False
    return now - since > limits.proof_test_days * _DAY_S


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


def taken_in(inventory: Inventory) -> Inventory:
    """Return the inventory with its inflow in the estimate; the same object without an inflow.

    If the flow meter counted clearly more than the level rose, water was drawn off during the fill, or it did
    not arrive, because a hose has burst or the level sensor is stuck. The estimate lies between both, and its
    interval holds both.
    """
    inflow, mixed = inventory.inflow, inventory.inflow.mixed
    if mixed.litres <= 0.0:
        return inventory
    before, mean_ppm = inventory.water, mixed.ppm(mixed.product_mg)
    worst_ppm = at_worst_ppm(before, inflow)
    litres = max(inflow.litres, inflow.counted.litres * (1.0 - COUNTED_SD))
    unseen_l = 0.5 * (litres - inflow.litres)
    entered_l = inflow.litres + unseen_l
    litres_sd = math.hypot(COUNTED_SD * entered_l, unseen_l)
    water = reservoir.filled(
        before,
        entered_l,
        mean_ppm,
        own_percent=inflow.own_percent,
        litres_sd=litres_sd,
        unmeasured_ppm=mixed.ppm(mixed.unmeasured_mg),
    )
    if unseen_l > 0.0:
        water = reservoir.drawn(water, unseen_l, litres_sd)
    held_ppm, kept_l = before.ppm + inventory.band_ppm, before.volume_l
    # The water that the level does not show may also have gone beside the reservoir.
    guarded_ppm = max(
        (held_ppm * kept_l + worst_ppm * one_l) / (kept_l + one_l) for one_l in (inflow.litres, litres)
    )
    band_ppm = max(guarded_ppm - water.ppm, 0.0)
    return replace(inventory, water=water, band_ppm=band_ppm, inflow=NO_INFLOW)
