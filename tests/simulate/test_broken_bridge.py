"""The campaign finds a bug in the keeper, the log's policy or the relay, and reports the right sentence.

Each story also runs without the bug, and then has no violation.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import pytest

from bridge.daemon import keeper, log_policy
from bridge.daemon.gate import Gate, Ticket
from bridge.daemon.keeper import Keeper
from bridge.daemon.log_policy import LogPolicy, Written
from bridge.daemon.relay import Relay
from bridge.guard.commands import Hold
from bridge.history.outbox import Parcel
from bridge.history.records import AlarmRow, CommandRow, MinuteRow, Row, StateRow
from bridge.rig.faults import FaultName
from bridge.simulate.mishaps import Event, Happening
from bridge.station.station import Turn
from bridge.station.view import StationView
from tests.simulate.test_broken_guard import Told


def trip_in_a_fill() -> Told:
    told = Told()
    told.fill()
    told.fault(FaultName.PURIFIER_EXHAUSTED)
    told.wait(120.0)
    return told


def hold_in_a_fill() -> Told:
    told = Told()
    told.fill()
    told.say(Hold, True)
    told.wait(10.0)
    return told


def trip_with_a_full_disk() -> Told:
    told = Told()
    told.fill()
    told.year.befall(Event(0.0, happening=Happening.DISK_FULL, size=3600.0))
    told.fault(FaultName.PURIFIER_EXHAUSTED)
    told.wait(120.0)
    return told


def killed_in_a_fill() -> Told:
    told = Told()
    told.fill(600.0)
    told.year.befall(Event(0.0, happening=Happening.KILLED, size=5.0))
    told.wait(60.0)
    return told


def fill_and_its_records() -> Told:
    told = Told()
    told.fill(300.0)
    told.wait(300.0)
    told.year.end()
    return told


# --- the bugs -----------------------------------------------------------------------------------------


def shows_before_the_disk(patch: pytest.MonkeyPatch) -> None:
    made = Gate.ticket

    def open_at_once(self: Gate, turn: Turn) -> Ticket:
        ticket = made(self, turn)
        ticket.on_disk = True
        return ticket

    patch.setattr(Gate, "ticket", open_at_once)


def never_shows_what_latched(patch: pytest.MonkeyPatch) -> None:
    patch.setattr(Gate, "logged", lambda self, ticket: None)
    patch.setattr(Gate, "give_up", lambda self, ticket: None)


def shows_later_views_first(patch: pytest.MonkeyPatch) -> None:
    shown = Gate.view

    def overtaking(self: Gate, view: StationView, ticket: Ticket | None = None) -> None:
        if ticket is None:
            self._on_view(view)
        else:
            shown(self, view, ticket)

    patch.setattr(Gate, "view", overtaking)


def takes_nothing_for_latched(patch: pytest.MonkeyPatch) -> None:
    patch.setattr(keeper, "_latches", lambda turn: False)


def forgets_to_log_turns_with_events(patch: pytest.MonkeyPatch) -> None:
    written = Keeper._write_down

    def forgetful(self: Keeper, turn: Turn) -> None:
        if not turn.decision.events:
            written(self, turn)

    patch.setattr(Keeper, "_write_down", forgetful)


def with_rows(patch: pytest.MonkeyPatch, change: Callable[[Written], Written]) -> None:
    """Change the rows that the policy returns for each scan."""
    turned = LogPolicy.turn

    def changed(self: LogPolicy, reservoir: str, turn: Turn, wall_s: float) -> Written:
        return change(turned(self, reservoir, turn, wall_s))

    patch.setattr(LogPolicy, "turn", changed)


def without(kind: type[Row] | tuple[type[Row], ...]) -> Callable[[pytest.MonkeyPatch], None]:
    def take_out(patch: pytest.MonkeyPatch) -> None:
        with_rows(
            patch, lambda one: replace(one, rows=tuple(row for row in one.rows if not isinstance(row, kind)))
        )

    return take_out


def keeps_no_latch(patch: pytest.MonkeyPatch) -> None:
    patch.setattr(log_policy, "_latched_changed", lambda before, state: False)


def drops_a_minute(patch: pytest.MonkeyPatch) -> None:
    minutes: list[MinuteRow] = []

    def third_is_dropped(one: Written) -> Written:
        rows: list[Row] = []
        for row in one.rows:
            if isinstance(row, MinuteRow):
                minutes.append(row)
                if len(minutes) == 3:
                    continue
            rows.append(row)
        return replace(one, rows=tuple(rows))

    with_rows(patch, third_is_dropped)


def makes_nothing_durable(patch: pytest.MonkeyPatch) -> None:
    with_rows(patch, lambda one: replace(one, durable=False))


def keeps_no_counters(patch: pytest.MonkeyPatch) -> None:
    def without_counters(one: Written) -> Written:
        rows = tuple(
            row for row in one.rows if not (isinstance(row, StateRow) and row.key.startswith("accounts."))
        )
        return replace(one, rows=rows)

    with_rows(patch, without_counters)


def relay_loses_a_parcel(patch: pytest.MonkeyPatch) -> None:
    fetched = Relay.fetched

    def first_is_lost(self: Relay, packs: Sequence[tuple[Parcel, str]], quiet_s: float) -> None:
        fetched(self, [(replace(one, rows=one.rows[1:]), payload) for one, payload in packs], quiet_s)

    patch.setattr(Relay, "fetched", first_is_lost)


@dataclass(frozen=True)
class Bug:
    """A bug, a story that shows it, and words of the sentence that reports it."""

    put_in: Callable[[pytest.MonkeyPatch], None]
    story: Callable[[], Told]
    found: str


BUGS = [
    Bug(shows_before_the_disk, trip_in_a_fill, "and it was not on the disk"),
    Bug(shows_before_the_disk, hold_in_a_fill, "the hold, and it was not on the disk"),
    Bug(takes_nothing_for_latched, trip_in_a_fill, "and it was not on the disk"),
    Bug(never_shows_what_latched, trip_in_a_fill, "nobody was shown"),
    Bug(shows_later_views_first, trip_with_a_full_disk, "a view was shown after a later one"),
    Bug(forgets_to_log_turns_with_events, trip_in_a_fill, "and it was not on the disk"),
    Bug(keeps_no_latch, trip_in_a_fill, "was not saved"),
    Bug(keeps_no_latch, hold_in_a_fill, "was not saved"),
    Bug(without(AlarmRow), trip_in_a_fill, "the log has no row of it"),
    Bug(without(CommandRow), hold_in_a_fill, "there was a command (hold on), and the log has no row of it"),
    Bug(makes_nothing_durable, trip_in_a_fill, "need not be on the disk"),
    Bug(drops_a_minute, fill_and_its_records, "readings, and"),
    Bug(keeps_no_counters, killed_in_a_fill, "L treated were lost"),
    Bug(relay_loses_a_parcel, fill_and_its_records, "the hub's log does not have them"),
]
STORIES = {bug.story.__name__: bug.story for bug in BUGS}


def sentences(told: Told) -> list[str]:
    return [violation.sentence for violation in told.year.outcome.violations]


@pytest.mark.parametrize("story", STORIES.values(), ids=list(STORIES))
def test_with_the_bridge_whole_the_story_ends_well(story: Callable[[], Told]) -> None:
    assert sentences(story()) == []


@pytest.mark.parametrize("bug", BUGS, ids=lambda bug: f"{bug.put_in.__name__}-{bug.story.__name__}")
def test_a_bug_is_found(bug: Bug, monkeypatch: pytest.MonkeyPatch) -> None:
    bug.put_in(monkeypatch)
    found = sentences(bug.story())
    assert any(bug.found in sentence for sentence in found), found
