"""What ``clearwell check`` says of purifiers and shelves that are kept by hand. Core."""

from collections.abc import Iterator

from bridge.commands.check_reservoir import cartridge
from bridge.commands.check_words import Line, Told
from bridge.forecast.by_hand import HandPlan, ShelfPlan
from bridge.units import DisplayUnits
from bridge.water.solids import scale_label


def by_hand(hand: HandPlan, told: Told) -> Iterator[Line]:
    """A purifier: its scale, its feed, its cartridge and how it is entered."""
    yield (
        "Scale",
        f"{scale_label(hand.factor)}; the limit is {told.ppm(hand.limit_ppm)}, the advice "
        f"{told.ppm(hand.advice_ppm)}.",
    )
    fed = "not stated; give feed_ppm, or enter --feed-ppm, or nothing can be forecast"
    if hand.feed_ppm is not None:
        fed = f"taken to be {told.ppm(hand.feed_ppm)} until a sample of it is entered"
    yield "Feed", f"{fed}."
    yield "Cartridge", cartridge(hand.cartridge)
    yield (
        "Entries",
        f"clearwell sample --config FILE --of {hand.ident} --litres L --ppm N, in one line for each time; "
        "the daemon has nothing to do with it.",
    )


def shelf(stock: ShelfPlan, units: DisplayUnits) -> Iterator[Line]:
    """A shelf: how it is entered, and when more is called for."""
    cost = "" if stock.price_per_l is None else f" It costs {units.cost_as(stock.price_per_l, '.4g')}."
    yield (
        "Entries",
        f"clearwell sample --config FILE --of {stock.ident} --litres L for what is put there, --took L, or "
        f"--left L for a count. How long it lasts is forecast, and more is called for {stock.lead_days:g} "
        f"days ahead.{cost}",
    )
