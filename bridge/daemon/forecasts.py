"""Keeps one station's forecast: hands it the turns and the local time, and its answers to station and log.

Shell, and beside the valve's path: it runs when a turn has been decided and is on the wire. A fault in here
ends the forecast and nothing else.
"""

from collections.abc import Callable
from datetime import datetime

import structlog

from bridge.daemon.logbook import Logbook
from bridge.forecast.learner import Prospect
from bridge.guard.model import Advisory, Phase
from bridge.station.station import Station, Turn
from bridge.station.view import NOTHING_KNOWN

_log = structlog.get_logger("clearwell")

SAVE_EVERY_S = 3600.0
ADVISORIES = (Advisory.ORDER_CARTRIDGE, Advisory.LEAK_SUSPECTED)


def local_time() -> datetime:
    """Now, with the offset of this machine's time zone."""
    return datetime.now().astimezone()


class Foresight:
    """The forecast of one station.

    Args:
        prospect: what is known at the start.
        logbook: where it is kept, if anywhere.
        say: tells an event with its sentence.
        clock: gives the local time with its offset.
    """

    def __init__(
        self,
        prospect: Prospect,
        logbook: Logbook | None,
        say: Callable[[str, str], None],
        clock: Callable[[], datetime] = local_time,
    ) -> None:
        self.prospect = prospect
        self._logbook = logbook
        self._say = say
        self._save_at: float | None = None
        self._failed = False
        self._clock = clock

    def turn(self, station: Station, turn: Turn) -> None:
        """Take one turn; now and then, look ahead."""
        if self._failed:
            return
        try:
            if self.prospect.turn(turn):
                station.ahead = self.prospect.look(self._clock())
                found = self.prospect.advisories
                for advisory in ADVISORIES:
                    station.note(advisory, advisory in found)
                self._save_now_and_then(turn)
        except Exception as error:  # noqa: BLE001 - a forecast must never cost a reservoir its session
            self._failed = True
            station.ahead = NOTHING_KNOWN
            for advisory in ADVISORIES:
                station.note(advisory, False)
            self._say(
                "forecast-failed",
                f"The forecast ended by a fault of the program ({error!r}); filling goes on without it. "
                "Restart the bridge to have it again, and please report this with the log.",
            )
            _log.exception("forecast-failed", reservoir=station.plan.identity.reservoir)

    def save(self) -> None:
        """Let the log keep what was learned."""
        if self._logbook is not None and not self._failed:
            self._logbook.learned(self.prospect)

    def _save_now_and_then(self, turn: Turn) -> None:
        if self._save_at is None:
            self._save_at = turn.now + SAVE_EVERY_S
        ended = turn.before.phase is Phase.FILL and turn.state.phase is not Phase.FILL
        if ended or turn.command is not None or turn.now >= self._save_at:
            self._save_at = turn.now + SAVE_EVERY_S
            self.save()
