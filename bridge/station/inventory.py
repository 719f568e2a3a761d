"""What is in the reservoir and what the purifier has taken up: the two accounts that every litre enters.

Core. The mixing balance is kept on the careful side: water that comes in counts with its guard band.
"""

from dataclasses import dataclass, replace

from bridge.guard.model import Flow
from bridge.purifier.cartridge import Load, add
from bridge.station.plan import StationPlan
from bridge.tank.level import Level, Zone
from bridge.tank.mixing import Balance, inflow, observed_volume, sample

_LOW, _FULL = Zone.LOW, Zone.FULL


@dataclass(frozen=True, slots=True)
class Inventory:
    """The accounts. ``assumed_ppm`` stands for the reservoir until its volume is known."""

    assumed_ppm: float
    balance: Balance | None = None
    load: Load = Load()
    was_low: bool = False
    """Switches only: the level was at the refill mark since it was last at the fill mark."""
    pulses: int | None = None
    """At a start: the last count of flow pulses of the earlier process, from which counting goes on."""


def holding(inventory: Inventory) -> float:
    """Dissolved solids of the reservoir, ppm, as far as the balance knows."""
    return inventory.assumed_ppm if inventory.balance is None else inventory.balance.ppm


def sampled(inventory: Inventory, ppm: float) -> Inventory:
    """The accounts after the reservoir was measured by hand."""
    balance = None if inventory.balance is None else sample(inventory.balance, ppm)
    return replace(inventory, assumed_ppm=ppm, balance=balance)


def renewed(inventory: Inventory) -> Inventory:
    """The accounts after the purifier got a new cartridge or membrane."""
    return replace(inventory, load=Load())


def follow(
    plan: StationPlan,
    before: Inventory,
    level: Level,
    path: Flow,
    pulsed_l: float,
    product_ppm: float | None,
    guard_band_ppm: float,
    feed_ppm: float | None,
    elapsed_s: float,
) -> Inventory:
    """The accounts after one reading; the same object when nothing was entered.

    Args:
        plan: the reservoir.
        before: the accounts so far.
        level: where it stands now.
        path: where the water went.
        pulsed_l: what came by flow pulses since the last reading, 0 where none are fitted.
        product_ppm: the water that came; None where no sound probe saw it.
        guard_band_ppm: its expanded uncertainty.
        feed_ppm: what it was made from; None where nobody knows.
        elapsed_s: the time since the last reading, 0 at the first.
    """
    worst_ppm = None if product_ppm is None else product_ppm + guard_band_ppm
    if level.volume_l is None:
        balance, treated_l = _by_switches(plan, before, level, path, pulsed_l, worst_ppm, elapsed_s)
    else:
        balance, treated_l = _by_level(plan, before, level.volume_l, path, worst_ppm)
    if plan.litres_per_pulse is not None:
        treated_l = pulsed_l
    load = before.load
    if treated_l > 0.0 and product_ppm is not None:
        # A spent bed lets everything through, and gives nothing back.
        from_ppm = product_ppm if feed_ppm is None or feed_ppm < product_ppm else feed_ppm
        load = add(load, treated_l, from_ppm, product_ppm)
    zone = level.zone
    was_low = zone is _LOW or (before.was_low and zone is not _FULL)
    if balance is before.balance and load is before.load and was_low is before.was_low:
        return before
    return Inventory(before.assumed_ppm, balance, load, was_low)


def _by_level(
    plan: StationPlan, before: Inventory, volume_l: float, path: Flow, worst_ppm: float | None
) -> tuple[Balance, float]:
    """The balance brought to the measured volume, and the litres that came through the purifier."""
    if before.balance is None:
        return Balance.of_water(volume_l, before.assumed_ppm), 0.0
    change_l = volume_l - before.balance.volume_l
    # Noise on the level would otherwise count as water going in and out, second after second.
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
    pulsed_l: float,
    worst_ppm: float | None,
    elapsed_s: float,
) -> tuple[Balance | None, float]:
    """Without a volume: bad water counts as if it came at full flow, good water when a fill is complete."""
    if path is not Flow.TO_RESERVOIR or level.volume_at_least_l <= 0.0:
        return before.balance, 0.0
    held_ppm = holding(before)
    balance = Balance.of_water(level.volume_at_least_l, held_ppm)
    if level.zone is _FULL and before.was_low and worst_ppm is not None:
        settings, shape = plan.level, plan.level.shape
        refill_l, fill_l = shape.volume_l(settings.refill_m), shape.volume_l(settings.fill_m)
        filled = inflow(Balance.of_water(refill_l, held_ppm), fill_l - refill_l, worst_ppm)
        return filled, fill_l - refill_l
    ppm = plan.limits.gross_ppm if worst_ppm is None else worst_ppm
    if ppm > held_ppm:
        litres = pulsed_l if plan.litres_per_pulse is not None else plan.limits.flow_max_l_s * elapsed_s
        return inflow(balance, litres, ppm), 0.0
    return before.balance, 0.0
