"""What a station learns, turn by turn, of its purifier's end and of its water's use. Core, without I/O.

A :class:`Prospect` is handed every turn, which costs microseconds, and looks about once a minute and at the
beginning and end of each fill. A look brings the cartridge's front, or the membrane, up to date with the mean
of what was measured in between; once an hour, at the end of a fill, and when a reading said something new of
the front, it forecasts. Nothing here decides over the valve. What it keeps is of fixed size, whatever the age
of the cartridge.
"""

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import datetime

from bridge.forecast.learned import (
    Kept,
    Learned,
    begun,
    draw_off_settings,
    forecast_of,
    seasoned,
    started,
    worth_keeping,
)
from bridge.guard.commands import CartridgeChanged
from bridge.guard.model import FILL, SHUT, Advisory, Trip
from bridge.purifier import breakthrough, membrane
from bridge.purifier.capacity import Evidence
from bridge.purifier.cartridge import Load
from bridge.purifier.forecast import ORDER_DRY_SHARE, Forecast
from bridge.purifier.season import LONGEST_DAYS
from bridge.station.plan import StationPlan
from bridge.station.rows import spent
from bridge.station.station import Turn
from bridge.station.view import NOTHING_KNOWN, Ahead
from bridge.tank import use as draw_off
from bridge.tank.cover import days_until_dry, leak_hint

LOOK_EVERY_S = 60.0
FORECAST_EVERY_S = 3600.0
UNTRIPPED_SHARE = 0.98
"""What did not trip the guard has not crossed the limit: a mean over it counts as this share of it."""


@dataclass(slots=True)
class Gathered:
    """What was measured since the last look."""

    readings: int = 0
    product_ppm: float = 0.0
    celsius: float = 0.0
    flowed: bool = False


class Prospect:
    """The forecast of one station.

    Args:
        plan: the station's.
        earlier: what became of the earlier cartridges, from the log.
        learned: what an earlier process left.
        load: the running cartridge's load at the start.
        feed_ppm: the feed as it was last known.
        volume_l: what was last known to be in the reservoir.
    """

    def __init__(
        self,
        plan: StationPlan,
        earlier: Iterable[Evidence] = (),
        learned: Learned | None = None,
        load: Load | None = None,
        feed_ppm: float | None = None,
        volume_l: float | None = None,
    ) -> None:
        self.plan = plan
        self.earlier = worth_keeping(plan.cartridge, earlier)
        self.ahead: Ahead = NOTHING_KNOWN
        self._load = load or Load()
        self.learned = started(plan, self.earlier, self._load, learned)
        self._settings = draw_off_settings(plan)
        self._gathered = Gathered()
        self._now = -math.inf
        self._look_at = -math.inf
        self._forecast_at = -math.inf
        self._settled_at = -math.inf
        self._fill_from_l = self._load.treated_l
        self._feed_ppm = feed_ppm
        self._product_ppm: float | None = None
        self._volume_l = volume_l
        self._tripped = False
        self._changed = False
        self._ended = False

    def turn(self, turn: Turn) -> bool:
        """Take note of a turn; True when it is time for :meth:`look`."""
        before, state, picture = turn.before, turn.state, turn.picture
        self._now = turn.now
        self._load = turn.memory.inventory.load
        if picture is not None:
            if picture.feed_ppm is not None:
                self._feed_ppm = picture.feed_ppm
            self._volume_l = picture.level.volume_l
            if state.flow is not SHUT or picture.assessment.seen is not SHUT:
                self._gathered.flowed = True
                self._settled_at = turn.now + self.plan.limits.settle_s
            if turn.reading and before.phase is FILL and picture.assessment.product_ppm is not None:
                self._gathered.readings += 1
                self._gathered.product_ppm += picture.assessment.product_ppm
                self._gathered.celsius += picture.assessment.temperature_c or 0.0
        if state.latches is not before.latches and any(
            latch.trip is Trip.PRODUCT_OVER_LIMIT and latch not in before.latches for latch in state.latches
        ):
            self._tripped = True
        if isinstance(turn.command, CartridgeChanged) and turn.decision.replies[0].accepted:
            self._renew(turn)
        if before.flow is SHUT and state.flow is not SHUT:
            self._fill_from_l = self._load.treated_l
        filled, filling = before.phase is FILL, state.phase is FILL
        self._ended = self._ended or (filled and not filling)
        return turn.now >= self._look_at or self._changed or filled is not filling

    def look(self, when: datetime) -> Ahead:
        """Learn from what was noted since the last look; ``when`` is local time with its offset."""
        now, learned = self._now, self.learned
        self._look_at = now + LOOK_EVERY_S
        day = max(when.timestamp() / 86400.0, learned.since_day or 0.0)
        flowing = self._gathered.flowed or now < self._settled_at
        draw = draw_off.observe(self._settings, learned.draw, when, self._volume_l, flowing)
        self.learned = learned = replace(learned, draw=draw)
        treated = self._load.treated_l - learned.booked_l
        if treated < 0.0:
            # The accounts of an earlier process are older than what it had learned.
            self.learned = learned = replace(learned, booked_l=self._load.treated_l)
        moved = (treated > 0.0 or self._tripped) and self._take_up(max(treated, 0.0))
        self.learned = seasoned(self.learned, day, self._feed_ppm if self._gathered.readings else None)
        self._gathered = Gathered()
        hourly = now >= self._forecast_at or self._changed or self._ended
        before, after = learned.front, self.learned.front
        seen = before is not None and after is not None and before.grid is not after.grid
        if seen or self._tripped or hourly or (moved and self.ahead.litres_left is None):
            self._foresee(day, when, hourly)
        self._tripped = self._changed = self._ended = False
        return self.ahead

    @property
    def kept(self) -> Kept:
        """What a restart would like to have."""
        plan = self.plan
        return Kept(
            self.learned, plan.cartridge, plan.limits.limit_ppm, self._feed_ppm, self._volume_l, self._load
        )

    @property
    def advisories(self) -> frozenset[Advisory]:
        """What is worth an alarm."""
        found = set()
        if self.ahead.order_now:
            found.add(Advisory.ORDER_CARTRIDGE)
        if self.ahead.leak is not None:
            found.add(Advisory.LEAK_SUSPECTED)
        return frozenset(found)

    # --- what is learned --------------------------------------------------------------------------

    def _take_up(self, treated_l: float) -> bool:
        """Hand what was treated since the last look to the front or the membrane; False without a feed."""
        learned, gathered, feed_ppm = self.learned, self._gathered, self._feed_ppm
        limit_ppm = self.plan.limits.limit_ppm
        measured = gathered.readings > 0
        if measured:
            self._product_ppm = gathered.product_ppm / gathered.readings
            if not self._tripped:
                self._product_ppm = min(self._product_ppm, UNTRIPPED_SHARE * limit_ppm)
        if feed_ppm is None or self._product_ppm is None:
            return False
        front, running = learned.front, learned.membrane
        if front is not None:
            if measured and not self._tripped:
                # Where it had crossed, somebody reset the trip after a retest, and the product is good.
                front = breakthrough.reopened(front)
            product_ppm = max(self._product_ppm, limit_ppm) if self._tripped else self._product_ppm
            standing = not measured and not self._tripped
            front = breakthrough.observe(front, treated_l, feed_ppm, product_ppm, standing)
        if running is not None:
            celsius = gathered.celsius / gathered.readings if measured else membrane.REFERENCE_C
            since_l = self._load.treated_l - self._fill_from_l if measured else 0.0
            running = membrane.observe(
                running, treated_l, feed_ppm, self._product_ppm, min(max(celsius, 0.0), 50.0), since_l
            )
            if measured:
                learned = replace(learned, warmest_c=max(learned.warmest_c, celsius))
        self.learned = replace(
            learned,
            front=front,
            membrane=running,
            booked_l=self._load.treated_l,
            total_l=learned.total_l + treated_l,
        )
        return True

    def _renew(self, turn: Turn) -> None:
        """A new cartridge is in: what became of the old one is evidence for it."""
        old = self._load
        if old.taken_up_g > 0.0:
            evidence = Evidence(old.taken_up_g, spent(self.plan, turn))
            self.earlier = worth_keeping(self.plan.cartridge, (*self.earlier, evidence))
        total_l = self.learned.total_l + max(old.treated_l - self.learned.booked_l, 0.0)
        fresh = begun(self.plan, self.earlier, Load())
        self.learned = replace(
            self.learned, front=fresh.front, membrane=fresh.membrane, booked_l=0.0, total_l=total_l,
            due=False, order=False,
        )  # fmt: skip
        self._load = Load()
        self._gathered = Gathered()
        self._product_ppm = None
        self._fill_from_l = 0.0
        self._tripped = False
        self._changed = True

    # --- what is forecast -------------------------------------------------------------------------

    def _foresee(self, day: float, when: datetime, hourly: bool) -> None:
        cover, leak = self.ahead.cover, self.ahead.leak
        if hourly:
            self._forecast_at = self._now + FORECAST_EVERY_S
            leak = leak_hint(self._settings, self.learned.draw)
            if self._volume_l is not None:
                cover = days_until_dry(self.learned.draw, self._volume_l, when)
        said = forecast_of(
            self.plan.cartridge, self.plan.limits.limit_ppm, self.learned, self._feed_ppm, self._load, day
        )
        if isinstance(said, Forecast):
            learned = self.learned
            # An alarm that came and went with every fill would be worth nothing.
            order = said.order_now and (learned.due or said.litres_left.high95 <= 0.0)
            if learned.order and said.dry_share_of_lead > 0.5 * ORDER_DRY_SHARE:
                order = True
            days = min(said.days_left.median, LONGEST_DAYS)
            self.learned = replace(learned, due=said.order_now, order=order, days=days)
            self.ahead = Ahead(
                said.litres_left, said.days_left, order, said.dry_share_of_lead, said.rests_on, cover, leak
            )
        elif said is not None:
            self.ahead = replace(said, cover=cover, leak=leak)
        else:
            self.ahead = Ahead(cover=cover, leak=leak)
