"""Stamps for the log: UTC that never goes backwards, in an order no clock can change.

Two clocks are handed in with every row: a monotonic one, which knows durations and nothing of the date,
and the wall clock, which knows the date until somebody sets it. Between steps both run alike. When the wall
clock leaves the monotonic one by more than a tolerance, it has been stepped:

========================  =====================================================================
the wall clock            the stamps
========================  =====================================================================
runs ahead, up to a day   jump to it at once (a machine without a battery clock found its date)
runs ahead, more          go on at the monotonic pace until the wall clock has held its new time
                          for ``confirm_s``, then jump: a short false date leaves no mark
runs behind, up to 6 h    go on at half pace until the wall clock has caught up
runs behind, more         go on at full pace, so that durations stay true, and are ahead of the
                          wall clock until it passes them
========================  =====================================================================

Every step comes out as a :class:`ClockStep`, for an event in the log. Nothing here reads a clock.
"""

from dataclasses import dataclass

from bridge.history.records import Stamp

TOLERANCE_S = 1.5
"""Less than this between two rows is a clock being disciplined, not stepped."""
FAR_AHEAD_S = 86_400.0
FAR_BEHIND_S = 6 * 3600.0


@dataclass(frozen=True, slots=True)
class ClockStep:
    """The wall clock moved by ``seconds`` against the monotonic one (negative: backwards)."""

    seconds: float
    behind_s: float
    """How far the wall clock now stands behind the stamps; negative when they are about to follow it."""

    @property
    def sentence(self) -> str:
        way = "forward" if self.seconds > 0 else "back"
        told = f"The clock was set {way} by {abs(self.seconds):.0f} s."
        if self.behind_s > FAR_BEHIND_S:
            return (
                f"{told} The log's times stay {self.behind_s:.0f} s ahead of it until it passes them, "
                "so that no record changes its place; if the old time was wrong, start a new log."
            )
        return f"{told} The order of the log is not affected."


class RecordClock:
    """Makes the stamps of one boot.

    ``boot`` is the number of this start, ``floor_utc_ms`` the last UTC already in the log: the first
    stamp lies after it, whatever the wall clock says. Costs about a microsecond a stamp.
    """

    def __init__(self, boot: int, floor_utc_ms: int = 0, *, confirm_s: float = 600.0) -> None:
        self.boot = boot
        self._confirm_s = confirm_s
        self._next_sequence = 0
        self._last_ms = floor_utc_ms
        self._utc_s: float | None = None
        self._offset_s = 0.0
        self._monotonic_s = 0.0
        self._doubted_since: float | None = None

    def stamp(self, monotonic_s: float, wall_s: float) -> tuple[Stamp, ClockStep | None]:
        """A stamp for a row made now, and the step of the wall clock since the last call, if there was one.

        ``monotonic_s`` never decreases; ``wall_s`` is the wall clock in seconds since 1970, whatever it says.
        """
        utc_ms, step = self.now_ms(monotonic_s, wall_s)
        return self.numbered(utc_ms), step

    def numbered(self, utc_ms: int) -> Stamp:
        """The next stamp, at a time that :meth:`now_ms` has just returned."""
        made = Stamp(self.boot, self._next_sequence, utc_ms)
        self._next_sequence += 1
        return made

    def now_ms(self, monotonic_s: float, wall_s: float) -> tuple[int, ClockStep | None]:
        """The UTC of this moment in milliseconds, later than every one before it, and the step as above."""
        offset = wall_s - monotonic_s
        step: ClockStep | None = None
        if self._utc_s is None:
            floor_s = self._last_ms / 1000
            utc = max(wall_s, floor_s)
            if floor_s > wall_s + TOLERANCE_S:
                step = ClockStep(wall_s - floor_s, floor_s - wall_s)
        else:
            elapsed = monotonic_s - self._monotonic_s
            if elapsed < 0.0:
                elapsed = 0.0
            moved = offset - self._offset_s
            coasting = self._utc_s + elapsed
            stepped = not -TOLERANCE_S <= moved <= TOLERANCE_S
            if -FAR_BEHIND_S < wall_s - coasting <= FAR_AHEAD_S:
                self._doubted_since = None
                # At once where it runs ahead, at half pace where it runs behind.
                utc = max(wall_s, coasting - elapsed / 2)
            else:
                utc = self._coast(coasting, monotonic_s, wall_s, stepped)
            if stepped:
                step = ClockStep(moved, utc - wall_s)
        self._utc_s, self._offset_s = utc, offset
        if monotonic_s > self._monotonic_s:
            self._monotonic_s = monotonic_s
        # Strictly later than the last: a record is known by its time and name, so no two may share both.
        self._last_ms = max(round(utc * 1000), self._last_ms + 1)
        return self._last_ms, step

    def _coast(self, coasting: float, monotonic_s: float, wall_s: float, stepped: bool) -> float:
        """The time while the wall clock is too far off to be followed, or has been so long enough."""
        if wall_s > coasting:
            if stepped or self._doubted_since is None:
                self._doubted_since = monotonic_s
            if monotonic_s - self._doubted_since < self._confirm_s:
                return coasting
            self._doubted_since = None
            return wall_s
        self._doubted_since = None
        return coasting
