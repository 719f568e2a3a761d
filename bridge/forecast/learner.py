"""Learns from each scan of a station how its purifier ages and how its water is used. Core.

A :class:`Learner` observes every scan, which costs microseconds. About once a minute, and at the start and
the end of each fill, it updates the cartridge's front, or the membrane, with the mean of the values measured
since the last update. It makes a forecast once an hour, at the end of a fill, and when a reading changes the
estimate of the front. Nothing in this file controls the valve. The learned state has a fixed size, whatever
the age of the cartridge.
"""

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import date, datetime

from bridge.forecast.learned import (
    UNTRIPPED_SHARE,
    Kept,
    Learned,
    add_to_seasons,
    draw_off_settings,
    forecast_of,
    new_state,
    restored,
    worth_keeping,
)
from bridge.guard.commands import CartridgeChanged
from bridge.guard.model import Advisory, Flow, Phase, Trip
from bridge.guard.rules import ACTIVE
from bridge.purifier import breakthrough, membrane
from bridge.purifier.cartridge import Evidence, Load
from bridge.purifier.forecast import ORDER_CHANCE, Forecast
from bridge.purifier.season import LONGEST_DAYS
from bridge.station.plan import StationPlan
from bridge.station.station import Turn
from bridge.station.view import NOTHING_KNOWN, Outlook
from bridge.tank import use as draw_off
from bridge.tank.cover import Paths, days_until_dry, paths_of
from bridge.tank.leak import leak_hint

UPDATE_EVERY_S = 60.0
FORECAST_EVERY_S = 3600.0


@dataclass(slots=True)
class _Sums:
    """Sums over the readings since the last update."""

    readings: int = 0
    product_ppm: float = 0.0
    celsius: float = 0.0
    flowed: bool = False


class Learner:
    """Learns from one station and forecasts its purifier and its water.

    Args:
        plan: The station's plan.
        earlier: The final loads of the earlier cartridges, from the log.
        learned: The state that an earlier process saved.
        load: The load of the cartridge in use at the start.
        feed_ppm: The last known feed, ppm.
        volume_l: The last known volume in the reservoir, L.
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
        """Takes up the saved state, or starts a new one."""
        self.plan = plan
        self.earlier = worth_keeping(plan.cartridge, earlier)
        self.outlook: Outlook = NOTHING_KNOWN
        self._load = load or Load()
        self.learned = restored(plan, self.earlier, self._load, learned)
        self._settings = draw_off_settings(plan)
        self._sums = _Sums()
        self._now = -math.inf
        self._update_at = -math.inf
        self._forecast_at = -math.inf
        self._settled_at = -math.inf
        self._fill_from_l = self._load.treated_l
        self._feed_ppm = feed_ppm
        self._product_ppm: float | None = None
        self._volume_l = volume_l
        self._tripped = False
        self._changed = False
        self._ended = False
        self._paths: Paths | None = None
        self._paths_of_day = self.learned.draw.day
        self._paths_from = date.min

    def observe(self, turn: Turn) -> bool:
        """Adds one scan to the sums.

        Args:
            turn: The scan and its decision.

        Returns:
            True when an :meth:`update` is due.
        """
        before, state, picture = turn.before, turn.state, turn.picture
        self._now = turn.now
        self._load = turn.memory.inventory.load
        if picture is not None:
            if picture.feed_ppm is not None:
                self._feed_ppm = picture.feed_ppm
            self._volume_l = picture.level.volume_l
            if state.flow is not Flow.SHUT or picture.assessment.seen is not Flow.SHUT:
                self._sums.flowed = True
                self._settled_at = turn.now + self.plan.limits.settle_s
            if turn.reading and before.phase is Phase.FILL and picture.assessment.product_ppm is not None:
                self._sums.readings += 1
                self._sums.product_ppm += picture.assessment.product_ppm
                self._sums.celsius += picture.assessment.temperature_c or 0.0
        if state.latches is not before.latches and any(
            latch.trip is Trip.PRODUCT_OVER_LIMIT and latch not in before.latches for latch in state.latches
        ):
            self._tripped = True
        if isinstance(turn.command, CartridgeChanged) and turn.decision.replies[0].accepted:
            self._renew(turn)
        if before.flow is Flow.SHUT and state.flow is not Flow.SHUT:
            self._fill_from_l = self._load.treated_l
        filled, filling = before.phase is Phase.FILL, state.phase is Phase.FILL
        self._ended = self._ended or (filled and not filling)
        return turn.now >= self._update_at or self._changed or filled is not filling

    def update(self, when: datetime) -> Outlook:
        """Learns from the scans since the last update, and makes a new forecast when one is due.

        Args:
            when: Local time with its UTC offset.

        Returns:
            The newest outlook.
        """
        now, learned = self._now, self.learned
        self._update_at = now + UPDATE_EVERY_S
        day = max(when.timestamp() / 86400.0, learned.since_day or 0.0)
        flowing = self._sums.flowed or now < self._settled_at
        draw = draw_off.observe(self._settings, learned.draw, when, self._volume_l, flowing)
        self.learned = learned = replace(learned, draw=draw)
        treated = self._load.treated_l - learned.booked_l
        if treated < 0.0:
            # The saved totals are older than the saved state: the process stopped between the two.
            self.learned = learned = replace(learned, booked_l=self._load.treated_l)
        moved = (treated > 0.0 or self._tripped) and self._take_up(max(treated, 0.0), day)
        self.learned = add_to_seasons(self.learned, day, self._feed_ppm if self._sums.readings else None)
        learned = self.learned
        if self._ended and learned.use is None and learned.since_l == 0.0 < learned.total_l:
            # The first fill of a reservoir is stock and not use, so use counts from its end.
            self.learned = replace(learned, since_day=day, since_l=learned.total_l)
        self._sums = _Sums()
        hourly = now >= self._forecast_at or self._changed or self._ended
        before, after = learned.front, self.learned.front
        front_changed = before is not None and after is not None and before.grid is not after.grid
        if front_changed or self._tripped or hourly or (moved and self.outlook.litres_left is None):
            self._forecast(day, when, hourly)
        self._tripped = self._changed = self._ended = False
        return self.outlook

    @property
    def kept(self) -> Kept:
        """The state to save for a restart."""
        plan = self.plan
        return Kept(
            self.learned, plan.cartridge, plan.limits.limit_ppm, self._feed_ppm, self._volume_l, self._load
        )

    @property
    def advisories(self) -> frozenset[Advisory]:
        """The advisories that the outlook raises."""
        found = set()
        if self.outlook.order_now:
            found.add(Advisory.ORDER_CARTRIDGE)
        if self.outlook.leak is not None:
            found.add(Advisory.LEAK_SUSPECTED)
        return frozenset(found)

    def _take_up(self, treated_l: float, day: float) -> bool:
        """Applies the treated litres to the front or the membrane; False while the feed is unknown."""
        learned, sums, feed_ppm = self.learned, self._sums, self._feed_ppm
        limit_ppm = self.plan.limits.limit_ppm
        measured = sums.readings > 0
        if measured:
            self._product_ppm = sums.product_ppm / sums.readings
            if not self._tripped:
                self._product_ppm = min(self._product_ppm, UNTRIPPED_SHARE * limit_ppm)
        if feed_ppm is None or self._product_ppm is None:
            return False
        front, running = learned.front, learned.membrane
        if front is not None:
            if measured and not self._tripped:
                # No trip stands, so a crossing recorded before was reset by a person after a good retest.
                front = breakthrough.reopened(front)
            product_ppm = max(self._product_ppm, limit_ppm) if self._tripped else self._product_ppm
            standing = not measured and not self._tripped
            front = breakthrough.observe(front, treated_l, feed_ppm, product_ppm, standing)
        if running is not None:
            celsius = sums.celsius / sums.readings if measured else membrane.REFERENCE_C
            # The mean of a minute begins with its first litre.
            since_l = self._load.treated_l - treated_l - self._fill_from_l if measured else 0.0
            running = membrane.observe(
                running, treated_l, feed_ppm, self._product_ppm, min(max(celsius, 0.0), 50.0), since_l, day
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
        """Starts a new cartridge; the old one's final load becomes evidence for its capacity."""
        old = self._load
        if old.taken_up_g > 0.0:
            evidence = Evidence(old.taken_up_g, was_exhausted(self.plan, turn))
            self.earlier = worth_keeping(self.plan.cartridge, (*self.earlier, evidence))
        total_l = self.learned.total_l + max(old.treated_l - self.learned.booked_l, 0.0)
        fresh = new_state(self.plan, self.earlier, Load())
        self.learned = replace(
            self.learned, front=fresh.front, membrane=fresh.membrane, booked_l=0.0, total_l=total_l,
            due=False, order=False,
        )  # fmt: skip
        self._load = Load()
        self._sums = _Sums()
        self._product_ppm = None
        self._fill_from_l = 0.0
        self._tripped = False
        self._changed = True

    def _paths_of(self, when: datetime) -> Paths | None:
        """Sample the days to come once for each day that is learned: it takes some ten milliseconds."""
        draw = self.learned.draw
        if self._paths is None or self._paths_of_day is not draw.day or self._paths_from != when.date():
            self._paths = paths_of(draw, when, self.plan.identity.capacity_l)
            self._paths_of_day, self._paths_from = draw.day, when.date()
        return self._paths

    def _forecast(self, day: float, when: datetime, hourly: bool) -> None:
        cover, leak = self.outlook.cover, self.outlook.leak
        if hourly:
            self._forecast_at = self._now + FORECAST_EVERY_S
            leak = leak_hint(self._settings, self.learned.draw)
            if self._volume_l is not None:
                paths = self._paths_of(when)
                cover = days_until_dry(self.learned.draw, self._volume_l, when, paths=paths)
        found = forecast_of(
            self.plan.cartridge, self.plan.limits.limit_ppm, self.learned, self._feed_ppm, self._load, day
        )
        if isinstance(found, Forecast):
            learned = self.learned
            # Hysteresis: without it the advisory could start and end with every fill.
            order = found.order_now and (learned.due or found.litres_left.high95 <= 0.0)
            if learned.order and found.chance_late > 0.5 * ORDER_CHANCE:
                order = True
            days = min(found.days_left.median, LONGEST_DAYS)
            self.learned = replace(learned, due=found.order_now, order=order, days=days)
            self.outlook = Outlook(
                found.litres_left,
                found.days_left,
                order,
                found.dry_share_of_lead,
                found.rests_on,
                cover,
                leak,
            )
        elif found is not None:
            self.outlook = replace(found, cover=cover, leak=leak)
        else:
            self.outlook = Outlook(cover=cover, leak=leak)


def was_exhausted(plan: StationPlan, turn: Turn) -> bool:
    """Return whether the cartridge that was fitted until this scan was exhausted; else it was changed early.

    It was exhausted if a product trip stood that no retest had remedied, or if the product that flows is at
    or over the limit.
    """
    tripped = any(
        latch.trip is Trip.PRODUCT_OVER_LIMIT and not latch.remedied for latch in turn.before.latches
    )
    if tripped or turn.picture is None or turn.before.phase not in ACTIVE:
        return tripped
    ppm = turn.picture.assessment.product_ppm
    return ppm is not None and ppm >= plan.limits.limit_ppm
