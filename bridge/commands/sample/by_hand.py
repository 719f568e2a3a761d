"""Entries for purifiers and shelves kept by hand: one command line is one transaction of the log."""

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import click

from bridge.errors import InputError

if TYPE_CHECKING:
    from bridge.config.plan import BridgePlan
    from bridge.forecast.by_hand import HandPlan, ShelfPlan
    from bridge.history.entries import Judged
    from bridge.history.records import EntryRow, Stamp
    from bridge.trays.tray import TrayPlan
    from bridge.water.uncertainty import WaterKind


@dataclass(frozen=True, slots=True)
class ByHand:
    """The options about litres, feed and cartridge, and the time."""

    litres: float | None = None
    took: float | None = None
    left: float | None = None
    feed_ppm: float | None = None
    changed: str | None = None
    at_ms: int | None = None
    """The time of the entry in UTC; None for now."""
    taken_back: "tuple[EntryRow, ...]" = ()
    """The earlier entries that this one corrects."""

    @property
    def options(self) -> list[str]:
        """The options that were given."""
        named = {
            "--litres": self.litres,
            "--took": self.took,
            "--left": self.left,
            "--feed-ppm": self.feed_ppm,
            "--changed": self.changed,
        }
        return [name for name, value in named.items() if value is not None]


@dataclass(frozen=True, slots=True)
class Known:
    """The configuration of the thing that was sampled."""

    factor: float
    limit_ppm: float
    target_ppm: float
    reservoir: str
    """The word under which the log keeps it."""
    kept: "HandPlan | ShelfPlan | None"
    """None for a reservoir with a controller."""
    plan: "BridgePlan"
    tray: "TrayPlan | None" = None
    """The tray that was sampled; ``reservoir`` is its id."""

    def water(self, of: str) -> "WaterKind | None":
        """Return the kind of water that was sampled; None if it is not known."""
        from bridge.forecast.by_hand import HandPlan

        if of in ("product", "reservoir") and self.kept is None:
            for station in self.plan.stations:
                if station.identity.reservoir == self.reservoir and station.cartridge is not None:
                    return station.cartridge.kind.water
        if isinstance(self.kept, HandPlan) and of == self.reservoir:
            return self.kept.cartridge.kind.water
        return None


TRAY = "tray."


def known_tray(config: Path | None, of: str) -> Known:
    """Find the tray that ``--of tray.ID`` names in the configuration.

    Raises:
        InputError: The configuration is missing or wrong, or has no such tray.
    """
    from bridge.commands.shared.configuration import configuration_in_use

    if config is None:
        raise InputError(f"--of {of}: give --config, because the trays are in the configuration")
    plan = configuration_in_use(config).plan
    trays = {} if plan.trays is None else {one.ident: one for one in plan.trays.trays}
    tray = trays.get(of.removeprefix(TRAY))
    if tray is None:
        raise InputError(f"--of {of}: there is no such tray; there are {', '.join(trays) or 'none'}")
    return Known(plan.factors[tray.fed_from], tray.limit_ppm, tray.target_ppm, tray.ident, None, plan, tray)


def known(config: Path, of: str, reservoir: str | None) -> Known:
    """Find the thing that was sampled in the configuration.

    Raises:
        InputError: The configuration is wrong, or it is not clear which reservoir is meant.
    """
    from bridge.commands.shared.configuration import configuration_in_use, station_of

    plan = configuration_in_use(config).plan
    kept = plan.kept_by_hand
    word = of if of in kept else reservoir
    if word is None and not plan.stations and len(kept) == 1:
        (word,) = kept
    if word is not None and word in kept:
        if reservoir is not None and reservoir != word:
            raise InputError(
                f"--reservoir {reservoir}: {of} is kept by hand and has no reservoir; leave it out"
            )
        one = kept[word]
        return Known(one.factor, one.limit_ppm, one.target_ppm, word, one, plan)
    if not plan.stations:
        raise InputError(f"--of {of}: {config} has no reservoir; kept by hand there are {', '.join(kept)}")
    station = station_of(plan.stations, reservoir)
    limits, identity = station.limits, station.identity
    limit_ppm = limits.reservoir_limit_ppm if of == "reservoir" else limits.limit_ppm
    target_ppm = min(limits.target_ppm, limit_ppm)
    return Known(identity.factor, limit_ppm, target_ppm, identity.reservoir, None, plan)


def check(of: str | None, typed: ByHand, found: Known | None, where: Path | None) -> None:
    """Refuse options that do not fit together, or do not fit the thing that was sampled.

    Raises:
        click.UsageError: There is no log, or no word for the entry.
        InputError: An option of a purifier is used for a shelf, or the other way round, or neither is kept by
            hand.
    """
    from bridge.commands.sample.kept import OF
    from bridge.forecast.by_hand import ShelfPlan

    options = typed.options
    if not options:
        return
    if of is None or where is None:
        raise click.UsageError(
            f"{options[0]} is entered into the log: give --of with the purifier or the shelf, and --config "
            "or --log."
        )
    if of in OF or (found is not None and found.kept is None):
        names = ", ".join(() if found is None else found.plan.kept_by_hand) or "none"
        raise InputError(
            f"{options[0]} belongs to a purifier or a shelf kept by hand ([purifier.<id>], [shelf.<id>]); "
            f"there are {names}"
        )
    if found is not None:
        shelf = isinstance(found.kept, ShelfPlan)
        for option in options:
            if option in (("--feed-ppm", "--changed") if shelf else ("--took", "--left")):
                other = "a purifier" if shelf else "a shelf"
                raise InputError(
                    f"{option} belongs to {other}, and {of} is {'a shelf' if shelf else 'a purifier'}"
                )
    if typed.left is not None and (typed.litres is not None or typed.took is not None):
        raise InputError("--left counts the litres after all else; enter --litres and --took without it")


def enter(
    path: Path,
    ident: str,
    typed: ByHand,
    found: Known | None,
    factor: float,
    reading: "Judged | None",
    note: str,
) -> None:
    """Write all entries of one command line into the log: feed, litres, reading and change, in this order.

    Raises:
        InputError: The feed is below the reading.
        LogError: The log cannot be written.
    """
    from bridge.forecast.by_hand import ShelfPlan
    from bridge.history import entries
    from bridge.history.records import CartridgeRow, Litres, LitresRow
    from bridge.history.writer import add

    if typed.feed_ppm is not None and reading is not None:
        ppm = reading.measurement.dissolved_solids_ppm
        if typed.feed_ppm < ppm:
            raise InputError(
                f"--feed-ppm {typed.feed_ppm:g}: the feed is below the reading of {ppm:.3g} ppm; check "
                "whether the two are swapped"
            )
    at_ms = typed.at_ms
    if typed.took is not None and found is not None and isinstance(found.kept, ShelfPlan):
        _check_stock(path, found.kept, typed)
    makers: list[Callable[[Stamp], EntryRow]] = [*entries.makers(typed.taken_back, note)]
    if typed.feed_ppm is not None:
        feed = _of_feed(typed.feed_ppm, factor, found)
        makers.append(lambda stamp: entries.sample_row(stamp, ident, "feed", feed, "", at_ms))
    into = Litres.PUT if found is not None and isinstance(found.kept, ShelfPlan) else Litres.MADE
    for litres, what in ((typed.litres, into), (typed.took, Litres.TAKEN), (typed.left, Litres.LEFT)):
        if litres is not None:
            makers.append(
                lambda stamp, litres=litres, what=what: LitresRow(stamp, ident, what, litres, note, at_ms)  # type: ignore[misc]
            )
    if reading is not None:
        product = reading
        makers.append(lambda stamp: entries.sample_row(stamp, ident, "product", product, note, at_ms))
    if typed.changed is not None:
        exhausted = typed.changed == "exhausted"
        made_l, load_g = _until_then(path, ident, typed, found)
        makers.append(
            lambda stamp: CartridgeRow(stamp, ident, "", made_l, load_g, "", exhausted, at_ms),
        )
    add(path, *makers)


def _check_stock(path: Path, shelf: "ShelfPlan", typed: ByHand) -> None:
    from bridge.commands.shared.configuration import entries_of
    from bridge.forecast.by_hand import shelf_after
    from bridge.history.records import when_ms

    rows = [row for row in entries_of(path, shelf.ident) if row not in typed.taken_back]
    until = [row for row in rows if typed.at_ms is None or when_ms(row) <= typed.at_ms]
    there_l = shelf_after(shelf, until).stock_l + (typed.litres or 0.0)
    took_l = typed.took or 0.0
    # A volume in gallons has rounded decimals.
    if rows and took_l > there_l * 1.001:
        raise InputError(
            f"--took {took_l:.4g} L: by its entries {shelf.ident} has {there_l:.4g} L; check number and "
            "unit, or count what is there and enter it with --left"
        )


def _of_feed(ppm: float, factor: float, found: Known | None) -> "Judged":
    from bridge.commands.sample.options import measured, usual_meter
    from bridge.estimate.verdict import LIMIT_PPM, TARGET_PPM
    from bridge.history.entries import judged
    from bridge.water.uncertainty import WaterKind

    given = ("--feed-ppm", ppm)
    meter = usual_meter(given, factor, True)
    reading = measured(given, meter, None, None, "natural", factor, WaterKind.TAP)
    limit_ppm, target_ppm = (LIMIT_PPM, TARGET_PPM) if found is None else (found.limit_ppm, found.target_ppm)
    return judged(reading, meter, limit_ppm, target_ppm)


def _until_then(
    path: Path, ident: str, typed: ByHand, found: Known | None
) -> tuple[float | None, float | None]:
    """Compute the litres and grams of the cartridge that is taken out, from the entries in the log."""
    from bridge.commands.shared.configuration import entries_of
    from bridge.forecast.by_hand import HandPlan, purifier_after
    from bridge.history.records import when_ms

    if found is None or not isinstance(found.kept, HandPlan):
        return None, None
    before = [
        row
        for row in entries_of(path, ident)
        if row not in typed.taken_back and (typed.at_ms is None or when_ms(row) <= typed.at_ms)
    ]
    load = purifier_after(found.kept, before).kept.load
    return load.treated_l + (typed.litres or 0.0), load.taken_up_g or None
