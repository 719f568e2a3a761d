"""Passes what the log says about the garden to the reservoirs: absences, frost and the watering round. Shell.

An absence raises the marks at which a fill begins and ends, requests a fill on the days before it, and makes
the alarm about short water earlier. The request goes through the guard as that of a person does: it never
opens a valve against a trip or a missing permissive. At the return the bridge reports what happened.

The log is read in a thread, and nothing here can delay a decision. A fault of the program in it ends none of
the reservoirs' sessions.
"""

import asyncio
import time
from collections.abc import Callable, Mapping
from datetime import date, datetime
from functools import partial
from pathlib import Path
from typing import TypeVar

import structlog

from bridge.config.plan import BridgePlan
from bridge.daemon.keeper import Keeper
from bridge.errors import InputError, LogError
from bridge.guard.commands import StartFill
from bridge.guard.model import Advisory, Phase
from bridge.station.events import Level, StationEvent
from bridge.station.station import Away
from bridge.tank.level import Zone
from bridge.trays.seasons import AWAY_REPORT, Absence, Frost, is_cover_short
from bridge.watering.absence import Absences, absences_on
from bridge.watering.gather import ROUND, Garden, garden_on
from bridge.watering.weather import day_of, zone_of

_log = structlog.get_logger("clearwell")
T = TypeVar("T")

ABSENCES_EVERY_S = 600.0
GARDEN_EVERY_S = 3600.0
FROST_STAYS_S = 12 * 3600.0
"""An alarm about frost ends so long after its cause, so that it does not end and begin with every hour."""
ROUND_HOUR = 6
"""The local hour from which on the round of the day is sent, because nobody wants it at midnight."""
ROOM_SHARE = 0.05
"""Less room than this share of the capacity is not worth a fill, which begins with a rinse."""
SENDER = "an absence"


class GardenKeeper:
    """Keeps the reservoirs informed about the garden; mutable.

    Args:
        plan: The plan of the bridge.
        path: The log.
        keepers: The reservoirs.
        say: Writes and shows an event.
        wall: Returns seconds since 1970 (UTC).
    """

    def __init__(
        self,
        plan: BridgePlan,
        path: Path,
        keepers: Mapping[str, Keeper],
        say: Callable[[StationEvent], None],
        wall: Callable[[], float] = time.time,
    ) -> None:
        self._plan = plan
        self._path = path
        self._keepers = keepers
        self._say = say
        self._wall = wall
        self._loop = asyncio.get_running_loop()
        self._day: date | None = None
        self._absences = Absences(None, ())
        self._absences_at = self._garden_at = -GARDEN_EVERY_S
        self._garden: Garden | None = None
        self._frost_until: dict[str, float] = {}
        self._topped: dict[str, date] = {}
        """The day on which a fill was last requested because of an absence."""
        self._announced: dict[str, date] = {}
        self._reported: set[Absence] = set()
        self._troubled = False

    async def look(self, entered: bool) -> None:
        """Read what is due, and pass it on. Never raises.

        Args:
            entered: Whether a person has entered something since the last call, so that all is read again.
        """
        try:
            await self._read(entered)
            self._troubled = False
        except (InputError, LogError) as error:
            self._trouble(f"What the garden needs today cannot be read: {error}.")
        except Exception as error:  # noqa: BLE001 - the garden must never cost a reservoir its session
            _log.exception("garden-failed")
            self._trouble(
                f"What the garden needs today cannot be read because of a fault of the program ({error!r}). "
                "Filling continues. Please report this with the log."
            )
        self._pass_on()

    def _trouble(self, sentence: str) -> None:
        if not self._troubled:
            self._troubled = True
            self._say(StationEvent("", "garden-unread", Level.WARNING, sentence))

    async def _read(self, entered: bool) -> None:
        now, zone = self._loop.time(), zone_of(self._plan)
        today = day_of(int(1000 * self._wall()), zone)
        renewed = entered or today != self._day
        self._day = today
        if renewed or now - self._absences_at >= ABSENCES_EVERY_S:
            self._absences_at = now
            self._absences = await self._in_thread(absences_on, today)
            self._report()
        if renewed or now - self._garden_at >= GARDEN_EVERY_S:
            self._garden_at = now
            self._garden = await self._in_thread(garden_on, today)
            for name, danger in self._garden.frost.items():
                if danger is not Frost.NONE:
                    self._frost_until[name] = now + FROST_STAYS_S

    async def _in_thread(self, read: Callable[[BridgePlan, Path, date], T], today: date) -> T:
        return await self._loop.run_in_executor(None, partial(read, self._plan, self._path, today))

    def _report(self) -> None:
        """Report the absences that have ended. The report is in the log then, so it is made once."""
        for one in self._absences.ended:
            if one.absence not in self._reported:
                self._reported.add(one.absence)
                self._say(StationEvent("", AWAY_REPORT, Level.INFO, one.text(self._plan.display)))

    def _pass_on(self) -> None:
        """Pass everything on again, because a reservoir that began a new session has lost it."""
        if self._day is None:
            return
        away, now = self._absences.away, self._loop.time()
        for name, keeper in self._keepers.items():
            keeper.inform(Away(away is not None))
            if away is not None and self._day <= away.first:
                self._top_up(name, keeper)
            keeper.condition(Advisory.COVER_SHORT, _is_short(keeper, away, self._day))
            if self._garden is None:
                continue
            keeper.condition(Advisory.FROST, now < self._frost_until.get(name, now))
            self._announce(name, keeper)

    def _top_up(self, name: str, keeper: Keeper) -> None:
        """Request a fill, once a day, if there is room for it and nothing keeps it from its start."""
        station, picture = keeper.station, keeper.station.picture
        state = station.state
        if self._topped.get(name) == self._day or picture is None or state.phase is not Phase.IDLE:
            return
        level, settings = picture.level, station.plan.level_while_away or station.plan.level
        if state.wanted or state.hold or level.zone in (None, Zone.FULL):
            return
        room_l = ROOM_SHARE * station.plan.identity.capacity_l
        mark_l = settings.fill_fraction * station.plan.identity.capacity_l
        if level.volume_l is not None and level.volume_l > mark_l - room_l:
            return
        if keeper.command(StartFill(self._loop.time(), SENDER)) is None and self._day is not None:
            self._topped[name] = self._day

    def _announce(self, name: str, keeper: Keeper) -> None:
        garden = self._garden
        if garden is None or (due := garden.due.get(name)) is None:
            return
        keeper.inform(due)
        known = name in garden.announced or self._announced.get(name) == garden.day
        hour = datetime.fromtimestamp(self._wall(), zone_of(self._plan)).hour
        if known or garden.day != self._day or hour < ROUND_HOUR or not due.days[0].trays:
            return
        self._announced[name] = garden.day
        sentence = f"The watering round of {garden.day}: {due.summary}"
        self._say(StationEvent(name, ROUND, Level.INFO, sentence))


def _is_short(keeper: Keeper, away: Absence | None, day: date) -> bool:
    """Return whether the water of a reservoir is short, and no fill can start."""
    station = keeper.station
    state, cover = station.state, station.outlook.cover
    stopped = state.phase not in (Phase.RINSE, Phase.FILL) and (
        bool(state.latches) or state.hold or state.evidence.blocked is not None
    )
    return stopped and is_cover_short(None if cover is None else cover.low80_days, away, day)
