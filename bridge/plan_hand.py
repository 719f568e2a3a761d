"""Plans of purifiers and shelves whose readings a person enters."""

from dataclasses import dataclass

from bridge.station.plan import CartridgePlan


@dataclass(frozen=True, slots=True)
class HandPlan:
    """A purifier without probe and float, whose litres and readings a person enters."""

    ident: str
    """Its word in the log and on the command line."""
    name: str
    factor: float
    """The scale of every ppm of it."""
    limit_ppm: float
    advice_ppm: float
    feed_ppm: float | None
    """What the feed is taken to be until a sample of it is entered."""
    cartridge: CartridgePlan
    other_cost_per_l: float = 0.0
    """Money for one litre beside the cartridge: energy, water."""


@dataclass(frozen=True, slots=True)
class ShelfPlan:
    """Water in jugs on a shelf, bought or made elsewhere, whose litres a person enters."""

    ident: str
    name: str
    factor: float
    limit_ppm: float
    advice_ppm: float
    price_per_l: float | None = None
    lead_days: float = 7.0
    """From the order, or the decision to go for more, until it stands on the shelf."""
