"""Holds back everything for people until its rows are on the disk. Core.

A trip, an alarm, a hold and the result of a command are shown only when their rows are on the disk. Otherwise
a process that is killed right after would have shown a trip that the next process does not know. The valve
never waits for this: its close is on the wire before anything gets here.

Everything leaves in the order in which it came, so that no view overtakes an earlier one. A disk that does
not answer within :data:`DISK_TIMEOUT_S` delays nothing further: the items leave, and the sentences of the
alarms say that they are not in the log yet, until they are.
"""

from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial

from bridge.clock import Clock, Timer
from bridge.guard.state import AlarmChanged, Latched
from bridge.station.events import StationEvent
from bridge.station.station import Turn
from bridge.station.view import StationView

DISK_TIMEOUT_S = 1.0
NOT_LOGGED = " This is not in the log yet."

Answer = Callable[[], None]


@dataclass(slots=True, eq=False)
class Ticket:
    """Rows on their way to the disk, and the alarms in them; mutable."""

    alarms: frozenset[str]
    on_disk: bool = False
    given_up: bool = False
    timer: Timer | None = None

    @property
    def is_open(self) -> bool:
        """Whether the items behind this ticket may leave."""
        return self.on_disk or self.given_up


@dataclass(slots=True)
class _Waiting:
    what: StationView | StationEvent | Answer
    ticket: Ticket | None
    """The ticket that this item waits for, besides every item before it."""


class Gate:
    """The way from a reservoir to people; mutable.

    Args:
        clock: The time, for the timeout of the disk.
        on_view: Shows a view.
        on_event: Shows an event.
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
        """Tickets that were given up and are not on the disk."""
        self._last: StationView | None = None

    @property
    def is_clear(self) -> bool:
        """Whether no item waits."""
        return not self._waiting

    def ticket(self, turn: Turn | None = None) -> Ticket:
        """Return a ticket for rows that are about to be written.

        Args:
            turn: The scan that the rows belong to. None for the row of a malformed command.
        """
        alarms = set()
        for event in () if turn is None else turn.decision.events:
            if isinstance(event, Latched):
                alarms.add(event.trip.value)
            elif isinstance(event, AlarmChanged):
                alarms.add(event.alarm.value)
        ticket = Ticket(frozenset(alarms))
        ticket.timer = self._clock.call_later(DISK_TIMEOUT_S, partial(self.give_up, ticket))
        return ticket

    def logged(self, ticket: Ticket) -> None:
        """Open a ticket because its rows are on the disk."""
        ticket.on_disk = True
        if ticket.timer is not None:
            ticket.timer.cancel()
        if ticket in self._unlogged:
            self._unlogged.remove(ticket)
            self._show_again()
        self.release()

    def give_up(self, ticket: Ticket) -> None:
        """Open a ticket although its rows are not on the disk: the disk is slow, or refused them."""
        if ticket.timer is not None:
            ticket.timer.cancel()
        ticket.given_up = True
        if not ticket.on_disk and ticket.alarms:
            self._unlogged.append(ticket)
        self.release()

    def caught_up(self) -> None:
        """Note that the log works again and has written every row that waited."""
        if self._unlogged:
            self._unlogged.clear()
            self._show_again()

    def view(self, view: StationView, ticket: Ticket | None = None) -> None:
        """Show a view once its ticket and every earlier item have left."""
        last = self._waiting[-1] if self._waiting else None
        if ticket is None and last is not None and last.ticket is None and isinstance(last.what, StationView):
            # Nothing happened in between, so the later view replaces the earlier one.
            last.what = view
            return
        self._pass(view, ticket)

    def event(self, event: StationEvent, ticket: Ticket | None = None) -> None:
        """Show an event once its ticket and every earlier item have left."""
        self._pass(event, ticket)

    def answer(self, answer: Answer, ticket: Ticket | None = None) -> None:
        """Call a callback once its ticket and every earlier item have left."""
        self._pass(answer, ticket)

    def release(self) -> None:
        """Let every item leave that need not wait."""
        waiting = self._waiting
        while waiting and (waiting[0].ticket is None or waiting[0].ticket.is_open):
            self._leave(waiting.popleft())

    def flush(self) -> None:
        """Let every item leave, because the process ends and the log is closed."""
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
        """Correct the alerts of the last view now, instead of with the next view."""
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
