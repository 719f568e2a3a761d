"""Watches which board is at the other end of the line, and whether it has restarted. Core.

A controller that restarts begins its numbers again, and its first frame is a hello with the number 0. Numbers
that jump without such a hello are in doubt: they may come from a controller whose hello was lost, or from
something that repeats old frames. Then the board must answer an *identify* before the valve may open, and the
question is sent again every :data:`ANSWER_S`.
"""

import math

from bridge.protocol.messages import FromController, Hello
from bridge.protocol.sequence import MODULUS

ANSWER_S = 2.0
"""The longest time for the answer to an identify."""
SHOWN_S = 60.0
"""A restart or an exchange of the controller is shown for this long."""
MOST_MESSAGES_S = 100
"""At most fifty readings a second, and as many replies."""


class Board:
    """The controller of one station; mutable. All times are monotonic seconds.

    Args:
        pinned: The id that the configuration demands. None for any board.
        known: The id of the board before the bridge started.
    """

    def __init__(self, pinned: str | None = None, known: str | None = None) -> None:
        self._pinned = pinned
        self.identity = known
        """The id of the last hello."""
        self._newest: tuple[int, float] | None = None
        self._doubted_at: float | None = None if pinned is None else -math.inf
        """Since when the board must identify itself. None if it need not."""
        self._asked_at = -math.inf
        self._restarted_at = -math.inf
        self._exchanged_at = -math.inf

    def take(self, message: FromController, now: float) -> bool:
        """Take a message. Returns True if it shows that the controller has restarted."""
        number, newest = message.sequence, self._newest
        self._newest = number, now
        jumped = newest is not None and (
            (number - newest[0]) % MODULUS > MOST_MESSAGES_S * (now - newest[1] + 1.0)
        )
        if not isinstance(message, Hello):
            if jumped and self._doubted_at is None:
                self._doubted_at, self._asked_at = now, -math.inf
            return False
        restarted = jumped or (newest is not None and number == 0) or self._jumped_at is not None
        self._doubted_at = None
        if restarted:
            self._restarted_at = now
        return restarted

    def greeted(self, identity: str, now: float) -> str | None:
        """Take the id of a hello. Returns the sentence of a warning, or None."""
        before, self.identity = self.identity, identity
        if self._pinned is not None and identity != self._pinned:
            if before == identity:
                return None
            return (
                f"The controller {identity} answers, and the configuration names {self._pinned}. "
                "The valve stays shut. Plug in the right controller, or correct the id."
            )
        if before is None or before == identity:
            return None
        self._exchanged_at = now
        return (
            f"The controller {identity} answers, and it was {before} before. If you have not exchanged it, "
            "check the cables: its cells and its valve may belong to another reservoir."
        )

    def lost(self) -> None:
        """Take the loss of the line. A board that the configuration names must identify itself again."""
        if self._pinned is not None and self._doubted_at is None:
            self._doubted_at = -math.inf

    def must_be_asked(self, now: float) -> bool:
        """Return whether an identify is due now. The caller sends it."""
        if self._doubted_at is None or now - self._asked_at < ANSWER_S:
            return False
        self._asked_at = now
        return True

    @property
    def in_doubt(self) -> bool:
        """True while the board must identify itself before the valve may open."""
        return self._doubted_at is not None

    @property
    def wrong(self) -> bool:
        """True if it is not the board that the configuration names."""
        return self._pinned is not None and self.identity is not None and self.identity != self._pinned

    def unanswered(self, now: float) -> bool:
        """Return whether the board has not answered an identify in time."""
        at = self._jumped_at
        return at is not None and now - at >= ANSWER_S

    def restarted_lately(self, now: float) -> bool:
        """Return whether the controller has restarted a short time ago."""
        return now - self._restarted_at < SHOWN_S

    def exchanged(self, now: float) -> bool:
        """Return whether it is another board than before, since a short time, or than the configured one."""
        return self.wrong or now - self._exchanged_at < SHOWN_S

    @property
    def _jumped_at(self) -> float | None:
        """When the numbers jumped, if the board has not identified itself since."""
        at = self._doubted_at
        return None if at == -math.inf else at
