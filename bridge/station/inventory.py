"""The inventory of a station: estimate of the reservoir, load of the purifier, watch over the product cell.

Core. An inflow is first collected in litres and milligrams, because a fill has many readings. It enters the
estimate at the end of the fill, or after a tenth of the capacity.

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
from bridge.guard.model import Flow
from bridge.purifier.cartridge import Load, add
from bridge.station.cells import CellPair
from bridge.station.check_cell import Ratio
from bridge.station.plan import StationPlan
from bridge.tank.evapotranspiration import open_water_mm
from bridge.tank.level import Level, Zone
from bridge.water.calibration import DRIFT_PERCENT_PER_YEAR
from bridge.water.conductivity import REFERENCE_C, Method
from bridge.water.meter import USUAL_METER, MeterUnit, read

DEAD_BAND = 0.005
"""Share of the capacity. Without it, noise on the level would count as inflow and draw-off every second."""
LARGEST_INFLOW = 0.1
"""Share of the capacity after which an inflow enters the estimate, although the fill goes on."""
RIM = 0.95
"""Share of the capacity from which the level sensor may be at its upper stop."""
LEVEL_SD = 0.02
"""Standard uncertainty of the volume as a share of the capacity (common practice, no source)."""
COUNTED_SD = 0.03
"""Standard uncertainty of the litres of a flow meter, as a share (common practice, no source)."""
NEAR_K = 3.0
"""How far the temperature of the reservoir may be from that of the product cell (common practice, no source).
"""
MOST_OWN_PERCENT = 50.0
"""Nearly pure product has a larger uncertainty than value. No error is taken as larger than this share."""
EVAPORATION_SD = 0.4
"""Standard uncertainty of the evaporation as a share: wind, sun and shade are not known (common practice, no
source)."""
USUAL_C = 15.0
"""The temperature for the evaporation if no thermometer has measured it (common practice, no source)."""
AGE_EVERY_S = 3600.0
_DAY_S = 86_400.0


@dataclass(frozen=True, slots=True)
class Passed:
    """Litres that flowed in, with what the readings of the same moments say is in them."""

    litres: float = 0.0
    product_mg: float = 0.0
    """By the readings."""
    worst_mg: float = 0.0
    """By the readings with their guard bands."""
    unmeasured_mg: float = 0.0
    """In product without a sound probe, which counts as half of gross. The guard counts gross."""

    def ppm(self, milligrams: float) -> float:
        """Return one of the sums for each litre."""
        return milligrams / self.litres


_NOTHING = Passed()


@dataclass(frozen=True, slots=True)
class Inflow:
    """The inflow that is not in the estimate yet."""

    risen: Passed = _NOTHING
    """By the rise of the level."""
    counted: Passed = _NOTHING
    """By the flow meter."""
    own_percent: float = 0.0
    """See :func:`bridge.estimate.reservoir.own_percent_of`; the largest of the inflow."""

    @property
    def litres(self) -> float:
        """The litres that are in the reservoir for certain."""
        return self.risen.litres

    @property
    def mixed(self) -> Passed:
        """The sums that say what water it is.

        The level follows the flow later, so by the level the standing water of the first litres would count
        as the water after it.
        """
        by_meter = self.counted.litres >= 0.5 * self.risen.litres and self.counted.litres > 0.0
        return self.counted if by_meter else self.risen


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
    return (water.ppm * water.volume_l + _true_ppm(water, inventory.inflow) * litres) / (
        water.volume_l + litres
    )


def holding_at_worst(inventory: Inventory) -> float:
    """Return the dissolved solids that the guard counts with, in ppm."""
    water, litres = inventory.water, inventory.inflow.litres
    held_ppm = water.ppm + inventory.band_ppm
    if litres <= 0.0:
        return held_ppm
    worst_ppm = _worst_ppm(water, inventory.inflow)
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
    water_c: float | None = None,
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
        water_c: the temperature of the water at the product cell, for the evaporation.
    """
    before = _aged(plan, before, water_c, now)
    product = _Product.of(plan, product_ppm, guard_band_ppm)
    if level.volume_l is None:
        after, treated_l = _by_switches(plan, before, level, path, pulsed_l, product, elapsed_s)
        inflow = after.inflow
    else:
        after, inflow, treated_l = _by_level(plan, before, level, level.volume_l, path, pulsed_l, product)
        if pulsed_l and path is Flow.SHUT:
            after = _passing(plan, after, level, pulsed_l, product)
            inflow = after.inflow
    if plan.litres_per_pulse is not None:
        treated_l = pulsed_l or 0.0
    load = after.load
    if treated_l > 0.0 and product_ppm is not None:
        # An exhausted bed lets everything through, but releases nothing.
        from_ppm = product_ppm if feed_ppm is None or feed_ppm < product_ppm else feed_ppm
        load = add(load, treated_l, from_ppm, product_ppm)
    if after.proved_at is None or (level.overflow and now - after.proved_at > AGE_EVERY_S):
        after = replace(after, proved_at=now)
    zone = level.zone
    was_low = zone is Zone.LOW or (before.was_low and zone is not Zone.FULL)
    if inflow is not after.inflow or load is not after.load or was_low is not after.was_low:
        # One copy for everything that changes with each reading of a fill.
        after = replace(after, inflow=inflow, load=load, was_low=was_low)
    return after


def _aged(plan: StationPlan, before: Inventory, water_c: float | None, now: float) -> Inventory:
    """Return the inventory after the time since it last aged, with what evaporated in it."""
    if before.aged_at is None:
        return replace(before, aged_at=now)
    if now - before.aged_at < AGE_EVERY_S:
        return before
    days = (now - before.aged_at) / _DAY_S
    made = plan.product.calibration
    drift = DRIFT_PERCENT_PER_YEAR if made is None else made.drift_percent_per_year
    water = reservoir.aged(before.water, days, drift_percent_per_year=drift)
    after = replace(before, water=water, aged_at=now)
    if plan.open_surface_m2 <= 0.0:
        return after
    # A day with 1 mm takes 1 L from each m².
    lost_l = plan.open_surface_m2 * days * open_water_mm(USUAL_C if water_c is None else water_c)
    if plan.identity.has_volume:
        return replace(after, evaporated_l=after.evaporated_l + lost_l)
    return _without(after, lost_l)


def _without(before: Inventory, evaporated_l: float) -> Inventory:
    """Return the inventory after water evaporated. Its solids stay, and so do those of the guard's band."""
    if evaporated_l <= 0.0:
        return before
    water = reservoir.evaporated(before.water, evaporated_l, EVAPORATION_SD * evaporated_l)
    band_ppm = before.band_ppm * before.water.volume_l / water.volume_l
    return replace(before, water=water, band_ppm=band_ppm)


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
            return cls(gross_ppm, gross_ppm, 0.0, False)
        shown_ppm = max(ppm, 0.0)
        percent = plan.product.chain.uncertainties.cell_constant_percent
        own_percent = reservoir.own_percent_of(shown_ppm, guard_band_ppm, percent)
        return cls(shown_ppm, max(ppm + guard_band_ppm, 0.0), min(own_percent, MOST_OWN_PERCENT), True)


def _by_level(
    plan: StationPlan,
    before: Inventory,
    level: Level,
    volume_l: float,
    path: Flow,
    pulsed_l: float | None,
    product: _Product,
) -> tuple[Inventory, Inflow, float]:
    """Return the inventory at the measured volume, its inflow, and the litres that the purifier has treated.

    The caller puts the inflow into the inventory.
    """
    capacity_l = plan.identity.capacity_l
    sd_l, dead_l = LEVEL_SD * capacity_l, DEAD_BAND * capacity_l
    if not before.located:
        water = reservoir.located(before.water, volume_l, sd_l)
        return replace(before, water=water, located=True), before.inflow, 0.0
    inflow, treated_l = before.inflow, 0.0
    change_l = volume_l - before.water.volume_l - inflow.litres
    filling = path is Flow.TO_RESERVOIR
    if filling and (change_l > 0.0 or pulsed_l):
        treated_l = max(change_l, 0.0)
        inflow = _more(inflow, treated_l, pulsed_l or 0.0, product)
    full = level.overflow or volume_l >= RIM * capacity_l
    if pulsed_l and path is Flow.SHUT and not full:
        # The valve leaks or is stuck. Its water waits for the level to rise, or to show that it does not.
        inflow = _more(inflow, 0.0, pulsed_l, product)
    ended = not filling and (inflow.litres > 0.0 or inflow.counted.litres >= 2.0 * dead_l)
    large = filling and inflow.litres >= LARGEST_INFLOW * capacity_l
    fell, rose = change_l <= -dead_l, change_l >= dead_l and not filling
    if not (ended or large or fell or rose):
        return before, inflow, treated_l

    after = before if inflow is before.inflow else replace(before, inflow=inflow)
    if ended or large or fell:
        after = taken_in(after)
    if large:
        after = _seen(after, volume_l, sd_l)
    if fell:
        # What evaporated since the last fall is a part of this one, and the rest was drawn off.
        lost_l = min(after.evaporated_l, -change_l)
        after = replace(_without(after, lost_l), evaporated_l=0.0)
        after = replace(after, water=reservoir.drawn(after.water, -change_l - lost_l))
        if volume_l <= _stop_l(plan):
            # The level sensor is at its lower stop, and the reservoir may be empty.
            sd_l = max(volume_l / math.sqrt(3.0), sd_l)
            after = replace(after, water=reservoir.located(after.water, volume_l, sd_l))
        else:
            after = _seen(after, volume_l, sd_l)
        return after, after.inflow, 0.0
    if rose:
        risen = _risen(plan, after, change_l, product)
        after = _seen(risen, volume_l, sd_l)
        return after, after.inflow, 0.0
    return after, after.inflow, treated_l


def _risen(plan: StationPlan, before: Inventory, litres: float, product: _Product) -> Inventory:
    """Return the inventory after the level rose with the valve shut.

    If the flow meter counted it, it is product. Otherwise nobody knows: a valve that leaks less than a flow
    meter counts, a bucket, a level sensor that is wrong. Then it counts as product, and its interval holds
    the water of the reservoir and that of a reservoir that nobody measured.
    """
    counted_l = before.inflow.counted.litres
    if counted_l >= 0.5 * litres:
        return taken_in(replace(before, inflow=_more(before.inflow, litres, 0.0, product)))
    before = taken_in(before)
    water = before.water
    if plan.rain_ppm is not None:
        return replace(before, water=reservoir.rained(water, litres, plan.rain_ppm))
    ppm = product.ppm if product.known else water.ppm
    sd_ppm = max(reservoir.ASSUMED_PPM_SD, abs(ppm - water.ppm))
    mixed = reservoir.poured(water, litres, ppm, sd_ppm, COUNTED_SD * litres)
    held_ppm = water.ppm + before.band_ppm
    worst_ppm = product.worst_ppm if product.known else held_ppm
    at_worst_ppm = (held_ppm * water.volume_l + worst_ppm * litres) / (water.volume_l + litres)
    return replace(before, water=mixed, band_ppm=max(at_worst_ppm - mixed.ppm, 0.0))


def _stop_l(plan: StationPlan) -> float:
    """Return the volume at which the level sensor may be at its lower stop. 0 without one."""
    sensor = plan.level.level_sensor
    if sensor is None:
        return 0.0
    lowest_m = min(sensor.table.depth_m(fraction) for fraction in sensor.table.fractions)
    return plan.level.shape.volume_l(lowest_m + plan.level.tolerance_m)


def _passing(
    plan: StationPlan, before: Inventory, level: Level, pulsed_l: float, product: _Product
) -> Inventory:
    """Return the inventory after product has passed a full reservoir, and left through its overflow.

    A valve that is stuck open does that. The level cannot rise any more, and only the flow meter shows it.
    Better water makes the estimate better, but the guard still counts with the worse one, and the interval
    reaches it.
    """
    full = level.overflow or (level.volume_l or 0.0) >= RIM * plan.identity.capacity_l
    if not full:
        return before
    worst_ppm = holding_at_worst(before)
    mixed = taken_in(replace(before, inflow=_more(before.inflow, pulsed_l, 0.0, product)))
    water = reservoir.drawn(mixed.water, pulsed_l)
    return replace(mixed, water=water, band_ppm=max(mixed.band_ppm, worst_ppm - water.ppm))


def _by_switches(
    plan: StationPlan,
    before: Inventory,
    level: Level,
    path: Flow,
    pulsed_l: float | None,
    product: _Product,
    elapsed_s: float,
) -> tuple[Inventory, float]:
    """Without a volume, bad water counts at full flow, good water at the end of a complete fill.

    Until then only the guard's band has the bad water: a part of a fill in a volume that is not known would
    make the estimate surer with every reading. At the end the whole fill counts once, by its two marks.
    """
    if path is not Flow.TO_RESERVOIR:
        return (replace(before, unfinished_ppm=0.0) if before.unfinished_ppm else before), 0.0
    if level.volume_at_least_l <= 0.0:
        return before, 0.0
    settings, shape = plan.level, plan.level.shape
    refill_l, fill_l = shape.volume_l(settings.refill_m), shape.volume_l(settings.fill_m)
    sd_l = LEVEL_SD * plan.identity.capacity_l
    if level.zone is Zone.FULL and before.was_low and product.known:
        at_refill = replace(
            before,
            water=reservoir.located(before.water, refill_l, sd_l),
            band_ppm=max(before.band_ppm - before.unfinished_ppm, 0.0),
            unfinished_ppm=0.0,
        )
        filled = replace(at_refill, inflow=_more(_NO_INFLOW, fill_l - refill_l, 0.0, product))
        return taken_in(filled), fill_l - refill_l
    if product.worst_ppm > holding_at_worst(before):
        litres = plan.limits.flow_max_l_s * elapsed_s if pulsed_l is None else pulsed_l
        at_least_l, held_ppm = level.volume_at_least_l, before.water.ppm + before.band_ppm
        at_worst_ppm = (held_ppm * at_least_l + product.worst_ppm * litres) / (at_least_l + litres)
        more_ppm = at_worst_ppm - held_ppm
        after = replace(
            before,
            band_ppm=before.band_ppm + more_ppm,
            unfinished_ppm=before.unfinished_ppm + more_ppm,
        )
        return after, 0.0
    return before, 0.0


def _more(inflow: Inflow, litres: float, counted_l: float, product: _Product) -> Inflow:
    own_percent = max(inflow.own_percent, product.own_percent) if litres or counted_l else inflow.own_percent
    return Inflow(_add(inflow.risen, litres, product), _add(inflow.counted, counted_l, product), own_percent)


def _add(passed: Passed, litres: float, product: _Product) -> Passed:
    if litres <= 0.0:
        return passed
    mg, unmeasured_mg = litres * product.ppm, 0.0
    if not product.known:
        mg, unmeasured_mg = 0.0, 0.5 * mg
    return Passed(
        passed.litres + litres,
        passed.product_mg + mg,
        passed.worst_mg + litres * product.worst_ppm,
        passed.unmeasured_mg + unmeasured_mg,
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
    worst_ppm = _worst_ppm(before, inflow)
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
    at_worst_ppm = max(
        (held_ppm * kept_l + worst_ppm * one_l) / (kept_l + one_l) for one_l in (inflow.litres, litres)
    )
    band_ppm = max(at_worst_ppm - water.ppm, 0.0)
    return replace(inventory, water=water, band_ppm=band_ppm, inflow=_NO_INFLOW)


def _seen(inventory: Inventory, volume_l: float, sd_l: float) -> Inventory:
    return replace(inventory, water=reservoir.volume_seen(inventory.water, volume_l, sd_l))


def _true_ppm(water: Reservoir, inflow: Inflow) -> float:
    mixed = inflow.mixed
    measured_ppm = reservoir.true_of(water, mixed.ppm(mixed.product_mg), inflow.own_percent)
    return measured_ppm + mixed.ppm(mixed.unmeasured_mg)


def _worst_ppm(water: Reservoir, inflow: Inflow) -> float:
    return max(inflow.mixed.ppm(inflow.mixed.worst_mg), _true_ppm(water, inflow))
