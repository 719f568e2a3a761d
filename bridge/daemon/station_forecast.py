"""The forecast of one station: when it is renewed and saved, and its end by a fault of the program. Core.

A fault of the program in a forecast ends the forecast, but not the session of the reservoir.
"""

from collections.abc import Callable
from datetime import datetime, tzinfo

import structlog

from bridge.clock import Clock
from bridge.forecast.learner import Learner
from bridge.guard.model import Advisory, Phase
from bridge.station.station import Condition, Note, Turn
from bridge.station.view import NOTHING_KNOWN

_log = structlog.get_logger("clearwell")

SAVE_EVERY_S = 3600.0
ADVISORIES = (Advisory.ORDER_CARTRIDGE, Advisory.LEAK_SUSPECTED)


class StationForecast:
    """The forecast of one station.

    Args:
        learner: the state of the forecast at the start.
        clock: the time. The forecast needs the date and the hour of the day.
        inform: sends notes to the station, for its next turn.
        say: reports an event with its sentence.
        keep: saves the state of the forecast in the log; None if there is no log.
        zone: the local time zone; None for that of the machine.
    """

    def __init__(
        self,
        learner: Learner,
        clock: Clock,
        inform: Callable[[Note], None],
        say: Callable[[str, str], None],
        keep: Callable[[Learner], None] | None = None,
        zone: tzinfo | None = None,
    ) -> None:
        self.learner = learner
        self._clock = clock
        self._inform = inform
        self._say = say
        self._keep = keep
        self._zone = zone
        self._save_at: float | None = None
        self._failed = False

    def turn(self, turn: Turn) -> None:
        """Process one turn. The forecast is updated when the learner requires it."""
        if self._failed:
            return
        try:
            if self.learner.observe(turn):
                self._inform(self.learner.update(self._local_time()))
                found = self.learner.advisories
                for advisory in ADVISORIES:
                    self._inform(Condition(advisory, advisory in found))
                self._save_if_due(turn)
        except Exception as error:  # noqa: BLE001 - a forecast must never cost a reservoir its session
            self._failed = True
            self._inform(NOTHING_KNOWN)
            for advisory in ADVISORIES:
                self._inform(Condition(advisory, False))
            self._say(
                "forecast-failed",
                f"The forecast ended because of a fault of the program ({error!r}). Filling continues "
                "without it. Restart the bridge to start it again, and please report this with the log.",
            )
            _log.exception("forecast-failed", reservoir=self.learner.plan.identity.reservoir)

    def save(self) -> None:
        """Save the state of the forecast in the log."""
        if self._keep is not None and not self._failed:
            self._keep(self.learner)

    def _local_time(self) -> datetime:
        """Return the time now, with the offset of the time zone."""
        when = datetime.fromtimestamp(self._clock.wall(), self._zone)
        return when if self._zone is not None else when.astimezone()

    def _save_if_due(self, turn: Turn) -> None:
        if self._save_at is None:
            self._save_at = turn.now + SAVE_EVERY_S
        ended = turn.before.phase is Phase.FILL and turn.state.phase is not Phase.FILL
        if ended or turn.command is not None or turn.now >= self._save_at:
            self._save_at = turn.now + SAVE_EVERY_S
            self.save()
