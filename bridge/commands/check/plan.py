"""Explains in plain sentences what the daemon will do. Core."""

from collections.abc import Iterator

from bridge.commands.check.guard import Line, Units, guarded, hub, log, people
from bridge.commands.check.reservoir import by_hand, measured, reservoir, shelf
from bridge.config.plan import BridgePlan

_CAUTION = (
    "Low-voltage wiring only; mains work is for a licensed electrician. Backflow protection (an air gap) "
    "before the purifier and an overflow pipe to a drain, as the local plumbing code asks. A conductivity "
    "reading never shows that water is safe to drink."
)


def explained(plan: BridgePlan) -> Iterator[tuple[str, list[Line]]]:
    """Explain each reservoir, each purifier and shelf kept by hand, and the rest: titles with their lines."""
    for station in plan.stations:
        title = f'Reservoir "{station.identity.name}" ({station.identity.reservoir})'
        shown = Units(plan.display, station.identity.factor)
        yield title, [*reservoir(station, shown), *measured(station, shown), *guarded(station, shown)]
    for kept in plan.by_hand:
        shown = Units(plan.display, kept.factor)
        yield f'Purifier "{kept.name}" ({kept.ident}), kept by hand', list(by_hand(kept, shown))
    for stock in plan.shelves:
        yield f'Shelf "{stock.name}" ({stock.ident}), kept by hand', list(shelf(stock, plan.display))
    yield "Log", list(log(plan))
    yield "Hub", list(hub(plan))
    yield "Display", [("Units", people(plan.display))]
    yield "Caution", [("", _CAUTION)]
