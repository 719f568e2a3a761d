"""Holds back what people are to learn until the log has it on disk. Core.

What latches (a trip, an alarm, a hold, a command's answer) is shown only when its rows are on disk: else a
process that is killed right after would have told people of a trip that the next one knows nothing of. The
valve never waits for this; its close is on the wire before anything comes here.

Everything leaves in the order in which it came in, so that no later view overtakes an earlier one. A disk
that does not answer within :data:`DISK_PATIENCE_S` delays nothing further: what waits for it leaves, and the
sentences of its alarms say that they are not in the log yet, until they are.
"""

from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, replace

from bridge.clock import Clock, Timer
from bridge.guard.state import AlarmChanged, Latched
from bridge.station.station import StationEvent, Turn
from bridge.station.view import StationView

DISK_PATIENCE_S = 1.0
NOT_LOGGED = " This is not in the log yet."

Answer = Callable[[], None]


@dataclass(slots=True, eq=False)
class Ticket:
    """Rows on their way to the disk, and the alarms in them."""

    alarms: frozenset[str]
    on_disk: bool = False
    given_up: bool = False
    timer: Timer | None = None

    @property
    def is_open(self) -> bool:
        """Whether what waits for it may leave."""
        return self.on_disk or self.given_up


@dataclass(slots=True)
class _Waiting:
    what: StationView | StationEvent | Answer
    ticket: Ticket | None
    """What it waits for, besides everything before it."""


class Gate:
    """The way from a reservoir to people; mutable.

    Args:
        clock: the time, for the patience with the disk.
        on_view: shows a view.
        on_event: shows an event.
    """

    def __init__(
        self,
        clock: Clock,
        on_view: Callable[[StationView], None],
        on_event: Callable[[StationEvent], None],
    ) -> None:
        self._clock = clock
        self._on_view = on_view
        self._on_event = on_event
        self._waiting: deque[_Waiting] = deque()
        self._unlogged: list[Ticket] = []
        """What was shown although it is not on disk."""
        self._last: StationView | None = None

    @property
    def is_clear(self) -> bool:
        """Whether nothing waits."""
        return not self._waiting

    def ticket(self, turn: Turn) -> Ticket:
        """A ticket for what latched in a turn, whose rows are about to go to the disk."""
        alarms = set()
        for event in turn.decision.events:
            if isinstance(event, Latched):
                alarms.add(event.trip.value)
            elif isinstance(event, AlarmChanged):
                alarms.add(event.alarm.value)
        ticket = Ticket(frozenset(alarms))
        ticket.timer = self._clock.call_later(DISK_PATIENCE_S, lambda: self.give_up(ticket))
        return ticket

    def logged(self, ticket: Ticket) -> None:
        """The rows of this ticket are on disk."""
        ticket.on_disk = True
        if ticket.timer is not None:
            ticket.timer.cancel()
        if ticket in self._unlogged:
            self._unlogged.remove(ticket)
            self._show_again()
        self.release()

    def give_up(self, ticket: Ticket) -> None:
        """The disk does not answer, or refuses the rows: what waits for them waits no longer."""
        if ticket.timer is not None:
            ticket.timer.cancel()
        ticket.given_up = True
        if not ticket.on_disk and ticket.alarms:
            self._unlogged.append(ticket)
        self.release()

    def caught_up(self) -> None:
        """The log works again, and has written everything that waited for it."""
        if self._unlogged:
            self._unlogged.clear()
            self._show_again()

    def view(self, view: StationView, ticket: Ticket | None = None) -> None:
        """Show this, when it is its turn."""
        last = self._waiting[-1] if self._waiting else None
        if ticket is None and last is not None and last.ticket is None and isinstance(last.what, StationView):
            # Nothing happened in between: the later one says it all.
            last.what = view
            return
        self._pass(view, ticket)

    def event(self, event: StationEvent, ticket: Ticket | None = None) -> None:
        """Show this, when it is its turn."""
        self._pass(event, ticket)

    def answer(self, answer: Answer, ticket: Ticket | None = None) -> None:
        """Call this, when it is its turn."""
        self._pass(answer, ticket)

    def release(self) -> None:
        """Let everything leave that need not wait."""
        waiting = self._waiting
        while waiting and (waiting[0].ticket is None or waiting[0].ticket.is_open):
            self._leave(waiting.popleft())

    def flush(self) -> None:
        """Let everything leave, as at the end of the process, when the log is closed."""
        for one in list(self._waiting):
            if one.ticket is not None and not one.ticket.is_open:
                self.give_up(one.ticket)
        self.release()

    def _pass(self, what: StationView | StationEvent | Answer, ticket: Ticket | None) -> None:
        one = _Waiting(what, ticket)
        if self._waiting or (ticket is not None and not ticket.is_open):
            self._waiting.append(one)
        else:
            self._leave(one)

    def _leave(self, one: _Waiting) -> None:
        match one.what:
            case StationView() as view:
                self._last = view
                self._show(view)
            case StationEvent() as event:
                late = one.ticket is not None and not one.ticket.on_disk
                self._on_event(replace(event, sentence=event.sentence + NOT_LOGGED) if late else event)
            case answer:
                answer()

    def _show_again(self) -> None:
        """Put the alerts of the last view right now, and not with the next one."""
        if self._last is not None and self.is_clear:
            self._show(self._last)

    def _show(self, view: StationView) -> None:
        if self._unlogged:
            behind = frozenset[str]().union(*(ticket.alarms for ticket in self._unlogged))
            alarms = tuple(
                replace(one, sentence=one.sentence + NOT_LOGGED)
                if one.alarm in behind and one.sentence
                else one
                for one in view.alarms
            )
            view = replace(view, alarms=alarms)
        self._on_view(view)
