"""The inventory of a station: the mixing balance of the reservoir and the load of the purifier.

Core. The mixing balance is on the safe side: the guard band is added to the concentration of all inflow.
"""

from dataclasses import dataclass, replace

from bridge.guard.model import Flow
from bridge.purifier.cartridge import Load, add
from bridge.station.plan import StationPlan
from bridge.tank.level import Level, Zone
from bridge.tank.mixing import Balance, inflow, observed_volume, sample


@dataclass(frozen=True, slots=True)
class Inventory:
    """The mixing balance and the load. ``assumed_ppm`` is used until the volume of the reservoir is known."""

    assumed_ppm: float
    balance: Balance | None = None
    load: Load = Load()
    was_low: bool = False
    """Switches only: True if the level was at the refill mark after it was last at the fill mark."""
    pulses: int | None = None
    """At a start: the last count of flow pulses of the earlier process. Counting goes on from it."""
    controller: str | None = None
    """At a start: the id of the controller of the earlier process."""


def holding(inventory: Inventory) -> float:
    """Return the dissolved solids of the reservoir in ppm, from the mixing balance."""
    return inventory.assumed_ppm if inventory.balance is None else inventory.balance.ppm


def sampled(inventory: Inventory, ppm: float) -> Inventory:
    """Return the inventory after a hand sample of the reservoir."""
    balance = None if inventory.balance is None else sample(inventory.balance, ppm)
    return replace(inventory, assumed_ppm=ppm, balance=balance)


def renewed(inventory: Inventory) -> Inventory:
    """Return the inventory after a new cartridge or membrane was fitted."""
    return replace(inventory, load=Load())


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
    """
    worst_ppm = None if product_ppm is None else product_ppm + guard_band_ppm
    if level.volume_l is None:
        balance, treated_l = _by_switches(plan, before, level, path, pulsed_l, worst_ppm, elapsed_s)
    else:
        balance, treated_l = _by_level(plan, before, level.volume_l, path, worst_ppm)
    if plan.litres_per_pulse is not None:
        treated_l = pulsed_l or 0.0
    load = before.load
    if treated_l > 0.0 and product_ppm is not None:
        # An exhausted bed lets everything through, but releases nothing.
        from_ppm = product_ppm if feed_ppm is None or feed_ppm < product_ppm else feed_ppm
        load = add(load, treated_l, from_ppm, product_ppm)
    zone = level.zone
    was_low = zone is Zone.LOW or (before.was_low and zone is not Zone.FULL)
    if balance is before.balance and load is before.load and was_low is before.was_low:
        return before
    return Inventory(before.assumed_ppm, balance, load, was_low)


def _by_level(
    plan: StationPlan, before: Inventory, volume_l: float, path: Flow, worst_ppm: float | None
) -> tuple[Balance, float]:
    """Return the balance at the measured volume, and the litres that the purifier has treated."""
    if before.balance is None:
        return Balance.of_water(volume_l, before.assumed_ppm), 0.0
    change_l = volume_l - before.balance.volume_l
    # Without this dead band, noise on the level would count as inflow and draw-off every second.
    if -0.005 * plan.identity.capacity_l < change_l <= 0.0:
        return before.balance, 0.0
    if path is Flow.TO_RESERVOIR:
        inflow_ppm = plan.limits.gross_ppm if worst_ppm is None else worst_ppm
        return observed_volume(before.balance, volume_l, inflow_ppm), max(0.0, change_l)
    rise_ppm = worst_ppm if plan.rain_ppm is None else plan.rain_ppm
    return observed_volume(before.balance, volume_l, rise_ppm), 0.0


def _by_switches(
    plan: StationPlan,
    before: Inventory,
    level: Level,
    path: Flow,
    pulsed_l: float | None,
    worst_ppm: float | None,
    elapsed_s: float,
) -> tuple[Balance | None, float]:
    """Without a volume, bad water counts at full flow, good water at the end of a complete fill."""
    if path is not Flow.TO_RESERVOIR or level.volume_at_least_l <= 0.0:
        return before.balance, 0.0
    held_ppm = holding(before)
    balance = Balance.of_water(level.volume_at_least_l, held_ppm)
    if level.zone is Zone.FULL and before.was_low and worst_ppm is not None:
        settings, shape = plan.level, plan.level.shape
        refill_l, fill_l = shape.volume_l(settings.refill_m), shape.volume_l(settings.fill_m)
        filled = inflow(Balance.of_water(refill_l, held_ppm), fill_l - refill_l, worst_ppm)
        return filled, fill_l - refill_l
    ppm = plan.limits.gross_ppm if worst_ppm is None else worst_ppm
    if ppm > held_ppm:
        litres = plan.limits.flow_max_l_s * elapsed_s if pulsed_l is None else pulsed_l
        return inflow(balance, litres, ppm), 0.0
    return before.balance, 0.0
