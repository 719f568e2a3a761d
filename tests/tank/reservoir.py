"""An invented reservoir whose level falls, for the tests of use, cover and leaks."""

import random
from collections.abc import Callable
from datetime import UTC, datetime, timedelta

from bridge.tank.use import DrawOff, DrawOffSettings, observe

SETTINGS = DrawOffSettings()
START = datetime(2025, 6, 1, tzinfo=UTC)


class Reservoir:
    """An invented reservoir of 200 L, refilled at half and read with noise, or in steps."""

    def __init__(
        self,
        seed: int = 1,
        noise_l: float = 0.1,
        start: datetime = START,
        settings: DrawOffSettings = SETTINGS,
        step_l: float = 0.0,
        every: timedelta = timedelta(minutes=5),
    ) -> None:
        self.chance = random.Random(seed)
        self.noise_l = noise_l
        self.now = start
        self.settings = settings
        self.step_l = step_l
        self.every = every
        self.volume_l = 180.0 + self.chance.uniform(0.0, step_l)
        self.filling = False
        self.state = DrawOff()

    def run(
        self,
        days: float,
        use_l_h: Callable[[datetime], float],
        leak_l_h: float = 0.0,
        evaporation_l_h: float = 0.0,
        scatter: float = 0.0,
        swelling_l: Callable[[datetime], float] | None = None,
    ) -> None:
        until = self.now + timedelta(days=days)
        hours = self.every / timedelta(hours=1)
        factor = 1.0
        while self.now < until:
            if self.now.hour == 0 and self.now.minute == 0:
                factor = max(1.0 + self.chance.gauss(0.0, scatter), 0.0)
            out_l = (use_l_h(self.now) * factor + leak_l_h + evaporation_l_h) * hours
            self.filling = self.volume_l < (180.0 if self.filling else 100.0)
            self.volume_l += (24.0 * hours if self.filling else 0.0) - out_l
            shown_l = self.volume_l + (0.0 if swelling_l is None else swelling_l(self.now))
            read_l = max(shown_l + self.chance.gauss(0.0, self.noise_l), 0.0)
            if self.step_l:
                read_l = round(read_l / self.step_l) * self.step_l
            self.now += self.every
            self.state = observe(self.settings, self.state, self.now, read_l, self.filling, evaporation_l_h)


def watering_at_seven_and_nineteen(when: datetime) -> float:
    return {7: 8.0, 19: 12.0}.get(when.hour, 0.0)
