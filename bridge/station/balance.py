"""The water balance of a reservoir: what one reading changes in its inventory. Core.

Inflow, draw-off, rain, evaporation, and what passes through a full reservoir. An inflow enters the estimate
at the end of a fill, or after a tenth of the capacity.
"""

import math
from dataclasses import replace

from bridge.estimate import reservoir
from bridge.guard.model import Flow
from bridge.purifier.cartridge import add
from bridge.station.inflow import NO_INFLOW, Inflow, Product, more
from bridge.station.inventory import COUNTED_SD, LEVEL_SD, Inventory, holding_at_worst, taken_in
from bridge.station.plan import StationPlan
from bridge.tank.evapotranspiration import open_water_mm
from bridge.tank.level import Level, Zone
from bridge.water.calibration import DRIFT_PERCENT_PER_YEAR

DEAD_BAND = 0.005
"""Share of the capacity. Without it, noise on the level would count as inflow and draw-off every second."""
LARGEST_INFLOW = 0.1
"""Share of the capacity after which an inflow enters the estimate, although the fill goes on."""
RIM = 0.95
"""Share of the capacity from which the level sensor may be at its upper stop."""
EVAPORATION_SD = 0.4
"""Standard uncertainty of the evaporation as a share: wind, sun and shade are not known (common practice, no
source)."""
USUAL_C = 15.0
"""The temperature for the evaporation if no thermometer has measured it (common practice, no source)."""
AGE_EVERY_S = 3600.0
_DAY_S = 86_400.0


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
    product = Product.of(plan, product_ppm, guard_band_ppm)
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


def _by_level(
    plan: StationPlan,
    before: Inventory,
    level: Level,
    volume_l: float,
    path: Flow,
    pulsed_l: float | None,
    product: Product,
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
        inflow = more(inflow, treated_l, pulsed_l or 0.0, product)
    if pulsed_l and path is Flow.SHUT and not _is_full(plan, level):
        # The valve leaks or is stuck. Its water waits for the level to rise, or to show that it does not.
        inflow = more(inflow, 0.0, pulsed_l, product)
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


def _risen(plan: StationPlan, before: Inventory, litres: float, product: Product) -> Inventory:
    """Return the inventory after the level rose with the valve shut.

    If the flow meter counted it, it is product. Otherwise nobody knows: a valve that leaks less than a flow
    meter counts, a bucket, a level sensor that is wrong. Then it counts as product, and its interval holds
    the water of the reservoir and that of a reservoir that nobody measured.
    """
    counted_l = before.inflow.counted.litres
    if counted_l >= 0.5 * litres:
        return taken_in(replace(before, inflow=more(before.inflow, litres, 0.0, product)))
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


def _is_full(plan: StationPlan, level: Level) -> bool:
    """Return whether the level may not rise any more, although water flows in."""
    return level.overflow or (level.volume_l or 0.0) >= RIM * plan.identity.capacity_l


def _stop_l(plan: StationPlan) -> float:
    """Return the volume at which the level sensor may be at its lower stop. 0 without one."""
    sensor = plan.level.level_sensor
    if sensor is None:
        return 0.0
    lowest_m = min(sensor.table.depth_m(fraction) for fraction in sensor.table.fractions)
    return plan.level.shape.volume_l(lowest_m + plan.level.tolerance_m)


def _passing(
    plan: StationPlan, before: Inventory, level: Level, pulsed_l: float, product: Product
) -> Inventory:
    """Return the inventory after product has passed a full reservoir, and left through its overflow.

    A valve that is stuck open does that. The level cannot rise any more, and only the flow meter shows it.
    Better water makes the estimate better, but the guard still counts with the worse one, and the interval
    reaches it.
    """
    if not _is_full(plan, level):
        return before
    worst_ppm = holding_at_worst(before)
    mixed = taken_in(replace(before, inflow=more(before.inflow, pulsed_l, 0.0, product)))
    water = reservoir.drawn(mixed.water, pulsed_l)
    return replace(mixed, water=water, band_ppm=max(mixed.band_ppm, worst_ppm - water.ppm))


def _by_switches(
    plan: StationPlan,
    before: Inventory,
    level: Level,
    path: Flow,
    pulsed_l: float | None,
    product: Product,
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
        filled = replace(at_refill, inflow=more(NO_INFLOW, fill_l - refill_l, 0.0, product))
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


def _seen(inventory: Inventory, volume_l: float, sd_l: float) -> Inventory:
    return replace(inventory, water=reservoir.volume_seen(inventory.water, volume_l, sd_l))
