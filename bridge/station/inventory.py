"""What is in the reservoir and what the purifier has taken up: the two accounts that every litre enters.

Core. The mixing balance is kept on the careful side: water that comes in counts with its guard band.
"""

from dataclasses import dataclass, replace

from bridge.plan import StationPlan
from bridge.purifier.load import Load, add
from bridge.tank.level import Level
from bridge.tank.mixing import Balance, inflow, observed_volume, sample
from bridge.tank.zone import Zone
from bridge.wire.messages import Path


@dataclass(frozen=True, slots=True)
class Inventory:
    """The accounts. ``assumed_ppm`` stands for the reservoir until its volume is known."""

    assumed_ppm: float
    balance: Balance | None = None
    load: Load = Load()
    followed_at: float | None = None
    was_low: bool = False
    """Switches only: the level was at the refill mark since it was last at the fill mark."""


@dataclass(frozen=True, slots=True)
class Inflow:
    """What may have come in since the last reading."""

    path: Path
    pulsed_l: float
    """By flow pulses, 0 where none are fitted."""
    product_ppm: float | None
    guard_band_ppm: float
    feed_ppm: float | None


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


def follow(plan: StationPlan, before: Inventory, level: Level, came: Inflow, now: float) -> Inventory:
    """The accounts after one reading."""
    elapsed_s = 0.0 if before.followed_at is None else max(0.0, now - before.followed_at)
    worst_ppm = None if came.product_ppm is None else came.product_ppm + came.guard_band_ppm
    if level.volume_l is None:
        balance, treated_l = _by_switches(plan, before, level, came, worst_ppm, elapsed_s)
    else:
        balance, treated_l = _by_level(plan, before, level.volume_l, came, worst_ppm)
    if plan.litres_per_pulse is not None:
        treated_l = came.pulsed_l
    load = before.load
    if treated_l > 0.0 and came.product_ppm is not None:
        feed_ppm = came.product_ppm if came.feed_ppm is None else came.feed_ppm
        load = add(load, treated_l, max(feed_ppm, came.product_ppm), came.product_ppm)
    was_low = level.zone is Zone.LOW or (before.was_low and level.zone is not Zone.FULL)
    return Inventory(before.assumed_ppm, balance, load, now, was_low)


def _by_level(
    plan: StationPlan, before: Inventory, volume_l: float, came: Inflow, worst_ppm: float | None
) -> tuple[Balance, float]:
    """The balance brought to the measured volume, and the litres that came through the purifier."""
    if before.balance is None:
        return Balance.of_water(volume_l, before.assumed_ppm), 0.0
    change_l = volume_l - before.balance.volume_l
    # Noise on the level would otherwise count as water going in and out, second after second.
    if -0.005 * plan.identity.capacity_l < change_l <= 0.0:
        return before.balance, 0.0
    if came.path is Path.FILL:
        inflow_ppm = plan.limits.gross_ppm if worst_ppm is None else worst_ppm
        return observed_volume(before.balance, volume_l, inflow_ppm), max(0.0, change_l)
    rise_ppm = worst_ppm if plan.rain_ppm is None else plan.rain_ppm
    return observed_volume(before.balance, volume_l, rise_ppm), 0.0


def _by_switches(
    plan: StationPlan,
    before: Inventory,
    level: Level,
    came: Inflow,
    worst_ppm: float | None,
    elapsed_s: float,
) -> tuple[Balance | None, float]:
    """Without a volume: bad water counts as if it came at full flow, good water when a fill is complete."""
    held_ppm = holding(before)
    balance = Balance.of_water(level.volume_at_least_l, held_ppm)
    if came.path is not Path.FILL or level.volume_at_least_l <= 0.0:
        return before.balance, 0.0
    if level.zone is Zone.FULL and before.was_low and worst_ppm is not None:
        settings, shape = plan.level, plan.level.shape
        refill_l, fill_l = shape.volume_l(settings.refill_m), shape.volume_l(settings.fill_m)
        filled = inflow(Balance.of_water(refill_l, held_ppm), fill_l - refill_l, worst_ppm)
        return filled, fill_l - refill_l
    ppm = plan.limits.gross_ppm if worst_ppm is None else worst_ppm
    if ppm > held_ppm:
        litres = came.pulsed_l if plan.litres_per_pulse is not None else plan.limits.flow_max_l_s * elapsed_s
        return inflow(balance, litres, ppm), 0.0
    return before.balance, 0.0
