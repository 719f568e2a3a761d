"""What the daemon will do, in plain sentences. Core."""

from collections.abc import Iterator

from bridge.commands.check_by_hand import by_hand, shelf
from bridge.commands.check_guard import guarded
from bridge.commands.check_hub import hub, log
from bridge.commands.check_reservoir import measured, reservoir
from bridge.commands.check_words import Line, Told, people
from bridge.config.plan import BridgePlan

_CAUTION = (
    "Low-voltage wiring only; mains work is for a licensed electrician. Backflow protection (an air gap) "
    "before the purifier and an overflow pipe to a drain, as the local plumbing code asks. A conductivity "
    "reading never shows that water is safe to drink."
)


def explained(plan: BridgePlan) -> Iterator[tuple[str, list[Line]]]:
    """A title and its lines, for each reservoir, for what is kept by hand, and for the rest."""
    for station in plan.stations:
        title = f'Reservoir "{station.identity.name}" ({station.identity.reservoir})'
        told = Told(plan.display, station.identity.factor)
        yield title, [*reservoir(station, told), *measured(station, told), *guarded(station, told)]
    for kept in plan.by_hand:
        told = Told(plan.display, kept.factor)
        yield f'Purifier "{kept.name}" ({kept.ident}), kept by hand', list(by_hand(kept, told))
    for stock in plan.shelves:
        yield f'Shelf "{stock.name}" ({stock.ident}), kept by hand', list(shelf(stock, plan.display))
    yield "Log", list(log(plan))
    yield "Hub", list(hub(plan))
    yield "People", [("Are shown", people(plan.display))]
    yield "Caution", [("", _CAUTION)]
