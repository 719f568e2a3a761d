"""When water is drawn from the reservoir: the daily waterings, and draw-offs by command."""

from dataclasses import dataclass

from bridge.rig.scenario import Watering
from bridge.rig.weather import DAY_S


@dataclass(frozen=True, slots=True)
class Draw:
    """One draw-off at a steady flow."""

    start_s: float
    end_s: float
    flow_l_s: float


def draws_of_day(waterings: tuple[Watering, ...], number: int, season: float) -> tuple[Draw, ...]:
    """The waterings of day ``number``, with their amount between winter (season -1) and summer (1)."""
    warmth = 0.5 * (1.0 + season)
    draws: list[Draw] = []
    for watering in waterings:
        litres = watering.winter_l + (watering.summer_l - watering.winter_l) * warmth
        if litres > 0.0:
            start_s = number * DAY_S + watering.hour * 3600.0
            flow_l_s = watering.flow_l_min / 60.0
            draws.append(Draw(start_s, start_s + litres / flow_l_s, flow_l_s))
    return tuple(draws)


class DrawPlan:
    """Every draw-off that is going on or yet to come; mutable, steered by the world's time."""

    def __init__(self) -> None:
        """Start with nothing planned."""
        self._draws: list[Draw] = []

    def add(self, *draws: Draw) -> None:
        """Plan draw-offs; they may overlap, their flows then add up."""
        self._draws.extend(draws)

    def flow_l_s(self, time_s: float) -> float:
        """Flow drawn from ``time_s`` until the next change, L/s; forgets what is over."""
        if not self._draws:
            return 0.0
        self._draws = [draw for draw in self._draws if draw.end_s > time_s]
        return sum(draw.flow_l_s for draw in self._draws if draw.start_s <= time_s)

    def next_change_s(self, time_s: float) -> float:
        """The first moment after ``time_s`` at which the flow changes; infinite if none is planned."""
        moments = [moment for draw in self._draws for moment in (draw.start_s, draw.end_s) if moment > time_s]
        return min(moments, default=float("inf"))
