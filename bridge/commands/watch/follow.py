"""Subscribes to bridges and shows them: once, line by line, or in place on a terminal. Shell."""

import asyncio
import contextlib
import os
import shutil
import signal
import sys
import termios
import time
import tty
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager

from bridge.clock import Backoff
from bridge.display.paging import Place, after_key, window
from bridge.display.terminal import NARROWEST, WIDTH, Selection, changes, screen
from bridge.display.topics import RemoteBridge, bridges
from bridge.errors import HubError, InputError
from bridge.mqtt.broker import BrokerSettings, BrokerTrouble, explain
from bridge.mqtt.session import Session
from bridge.units import DisplayUnits

MOST_TOPICS = 20_000
LONGEST_PAYLOAD = 256 * 1024
"""The limits of what a bridge publishes; more messages, which come from another client, are dropped."""
FIRST_WAIT_S, LONGEST_WAIT_S, JITTER = 0.5, 10.0, 0.3
_ANSWER_S = 5.0


class Subscriber:
    """Receives what all devices of the convention publish on one broker; publishes nothing.

    Args:
        settings: the broker; its client id must not be the bridge's own, which would disconnect the bridge.
        prefix: the first level of the topics.
        on_change: called in the event loop after each message; it must not block.
    """

    def __init__(self, settings: BrokerSettings, prefix: str, on_change: Callable[[], None]) -> None:
        self._settings = settings
        self._start = f"{prefix}/5/"
        self._on_change = on_change
        self.retained: dict[str, str] = {}
        """The retained messages, by topic; emptied at each connection, because they may have changed."""
        self.received_at: dict[str, float] = {}
        """When the last message of each device was received, in UTC seconds since 1970."""
        self.trouble: str | None = None
        """Why the broker cannot be used, as a sentence; None if it can."""
        self.connected_at: float | None = None
        """Since when there is a connection, in monotonic seconds; None if there is none."""

    async def run(self) -> None:
        """Receive until cancelled. Reconnects for ever, however long the broker is away."""
        backoff = Backoff(FIRST_WAIT_S, LONGEST_WAIT_S, JITTER)
        while True:
            try:
                await self._connection()
            except (BrokerTrouble, OSError, ValueError, HubError) as error:
                self.trouble = str(explain(error, self._settings))
            if self.connected_at is not None:
                backoff.reset()
                self.connected_at = None
            self._on_change()
            await asyncio.sleep(backoff.wait_s())

    async def _connection(self) -> None:
        async with Session(self._settings, answer_s=_ANSWER_S, on_message=self._receive) as session:
            self.retained.clear()
            # The states are in the second filter, so that the values of a ready device come first.
            await session.subscribe([f"{self._start}+/+/+", f"{self._start}+/+"])
            self.trouble, self.connected_at = None, time.monotonic()
            self._on_change()
            await asyncio.shield(session.ended)

    def _receive(self, topic: str, payload: bytes, retained: bool) -> None:
        device, _, rest = topic.removeprefix(self._start).partition("/")
        if rest.startswith("$log/"):
            return
        if not payload:
            self.retained.pop(topic, None)
        elif len(payload) <= LONGEST_PAYLOAD and (topic in self.retained or len(self.retained) < MOST_TOPICS):
            self.retained[topic] = payload.decode("utf-8", "replace")
        self.received_at[device] = time.time()
        self._on_change()


async def ended(task: "asyncio.Task[None]", within_s: float = 1.0) -> None:
    """End a task, and wait no longer than this for its DISCONNECT, because the broker may hang.

    Args:
        task: the task.
        within_s: the longest wait.
    """
    task.cancel()
    with contextlib.suppress(TimeoutError, asyncio.CancelledError, BrokerTrouble):
        await asyncio.wait_for(asyncio.shield(task), within_s)


PAUSE_S = 0.25
"""Between two screens: nobody reads more than four a second."""
SETTLED_S = 0.3
"""Everything retained was received when no message came for this time."""
BUSY_S = 1.5
"""The same, when a bridge is complete for this time and messages still come."""
GRACE_S = 1.0
"""The wait after the connection before "no bridge" is shown: retained messages come a moment later."""
_HIDE, _SHOW, _CLEAR, _HOME = "\x1b[?25l", "\x1b[?25h", "\x1b[2J", "\x1b[H"
_TO_END_OF_LINE, _TO_END = "\x1b[K", "\x1b[J"


async def once_only(
    broker: BrokerSettings,
    prefix: str,
    selection: Selection,
    units: DisplayUnits,
    wait_s: float,
    *,
    exact: bool,
) -> None:
    """Print one view.

    Args:
        broker: the broker.
        prefix: the first level of the topics.
        selection: the bridges and reservoirs to show.
        units: the units of the quantities.
        wait_s: how long to wait for a bridge.
        exact: whether dissolved solids have all their digits and their uncertainty.

    Raises:
        HubError: the broker cannot be used, or no bridge was found in time.
        InputError: the bridge has no such reservoir.
    """
    changed = asyncio.Event()
    subscriber = Subscriber(broker, prefix, changed.set)
    task = asyncio.create_task(subscriber.run())
    try:
        found = await _settled(subscriber, changed, prefix, selection, units, wait_s)
    finally:
        await ended(task)
    if not selection.of(found):
        raise HubError(f"{selection.no_bridge()}.")
    if selection.reservoir is not None and not selection.reservoirs(found):
        raise InputError(selection.no_reservoir(found))
    _print(screen(selection, found, None, _columns(), exact=exact))


async def _settled(
    subscriber: Subscriber,
    changed: asyncio.Event,
    prefix: str,
    selection: Selection,
    units: DisplayUnits,
    wait_s: float,
) -> tuple[RemoteBridge, ...]:
    """Return the bridges when everything was received, or when the time is over."""
    began = time.monotonic()
    complete_since: float | None = None
    while (now := time.monotonic()) - began < wait_s:
        if subscriber.trouble is not None:
            raise HubError(subscriber.trouble)
        selected = selection.of(_bridges(subscriber, prefix, units))
        complete = bool(selected) and all(one.is_complete for one in selected)
        complete_since = (complete_since or now) if complete else None
        if complete_since is not None and now - complete_since > BUSY_S:
            break
        changed.clear()
        try:
            await asyncio.wait_for(changed.wait(), SETTLED_S if complete else wait_s - (now - began))
        except TimeoutError:
            break
    return _bridges(subscriber, prefix, units)


async def follow(
    broker: BrokerSettings,
    prefix: str,
    selection: Selection,
    units: DisplayUnits,
    *,
    in_place: bool,
    exact: bool,
) -> None:
    """Show the bridges until SIGINT or SIGTERM.

    Args:
        broker: the broker.
        prefix: the first level of the topics.
        selection: the bridges and reservoirs to show.
        units: the units of the quantities.
        in_place: draw over the last screen; else print the changed lines.
        exact: whether dissolved solids have all their digits and their uncertainty at first.
    """
    changed, stop = asyncio.Event(), asyncio.Event()
    loop = asyncio.get_running_loop()
    for number in (signal.SIGINT, signal.SIGTERM):
        loop.add_signal_handler(number, stop.set)
    subscriber = Subscriber(broker, prefix, changed.set)
    task = asyncio.create_task(subscriber.run())
    stopping = asyncio.create_task(stop.wait())
    before: list[str] = []
    place = Place(exact=exact)

    def key(typed: str) -> None:
        nonlocal place
        shown = selection.reservoirs(_bridges(subscriber, prefix, units))
        place = after_key(place, typed, len(shown))
        if place.ended:
            stop.set()
        changed.set()

    try:
        with _drawing(loop, key) if in_place else contextlib.nullcontext():
            while not stop.is_set():
                changed.clear()
                found, trouble = _received(subscriber, prefix, selection, units)
                if in_place:
                    lines, place = window(selection, found, trouble, place, _rows(), _columns())
                else:
                    lines = screen(selection, found, trouble, _columns(), exact=exact)
                if in_place and lines != before:
                    _draw(lines)
                elif not in_place and (changed_lines := changes(before, lines)):
                    _print(changed_lines)
                before = lines
                await asyncio.wait({stopping}, timeout=PAUSE_S)
                waiting = asyncio.create_task(changed.wait())
                await asyncio.wait({waiting, stopping}, timeout=GRACE_S, return_when=asyncio.FIRST_COMPLETED)
                waiting.cancel()
    finally:
        stopping.cancel()
        await ended(task)


def _received(
    subscriber: Subscriber, prefix: str, selection: Selection, units: DisplayUnits
) -> tuple[tuple[RemoteBridge, ...], str | None]:
    """Return the bridges, and a sentence if the broker cannot be used or nothing was received yet."""
    found = _bridges(subscriber, prefix, units)
    trouble = None
    if subscriber.trouble is not None:
        trouble = f"{subscriber.trouble} The next attempt follows."
    elif subscriber.connected_at is None:
        trouble = "Connecting to the broker."
    elif not selection.reservoirs(found) and time.monotonic() - subscriber.connected_at < GRACE_S:
        trouble = "Looking for a bridge."
    return found, trouble


def _bridges(subscriber: Subscriber, prefix: str, units: DisplayUnits) -> tuple[RemoteBridge, ...]:
    times: Mapping[str, str] = {
        device: f"{units.local(utc_s):%H:%M:%S}" for device, utc_s in subscriber.received_at.items()
    }
    return bridges(subscriber.retained, prefix, units, times)


def _columns() -> int:
    return max(NARROWEST, min(WIDTH, shutil.get_terminal_size((WIDTH, 24)).columns))


def _rows() -> int:
    return max(shutil.get_terminal_size((WIDTH, 24)).lines, 2) - 1


@contextmanager
def _drawing(loop: asyncio.AbstractEventLoop, key: Callable[[str], None]) -> Iterator[None]:
    """Hide the cursor and receive keys one by one; restore the terminal whatever happens."""
    sys.stdout.write(f"{_HIDE}{_CLEAR}")
    keyboard = sys.stdin.fileno() if sys.stdin.isatty() else None
    before = None
    if keyboard is not None:
        before = termios.tcgetattr(keyboard)
        # Ctrl-C still ends the command.
        tty.setcbreak(keyboard)
        loop.add_reader(keyboard, _read_key, loop, keyboard, key)
    try:
        yield
    finally:
        if keyboard is not None and before is not None:
            loop.remove_reader(keyboard)
            termios.tcsetattr(keyboard, termios.TCSADRAIN, before)
        sys.stdout.write(f"{_SHOW}\n")
        sys.stdout.flush()


def _read_key(loop: asyncio.AbstractEventLoop, keyboard: int, key: Callable[[str], None]) -> None:
    typed = os.read(keyboard, 16)
    if typed:
        # A key such as an arrow sends its characters together.
        key(typed.decode("ascii", "replace"))
    else:
        loop.remove_reader(keyboard)


def _draw(lines: Sequence[str]) -> None:
    """Draw over the last screen without clearing it first, so that nothing flickers."""
    text = "".join(f"{line}{_TO_END_OF_LINE}\r\n" for line in lines)
    sys.stdout.write(_encodable(f"{_HOME}{text}{_TO_END}"))
    sys.stdout.flush()


def _print(lines: Sequence[str]) -> None:
    sys.stdout.write(_encodable("".join(f"{line}\n" for line in lines)))
    sys.stdout.flush()


def _encodable(text: str) -> str:
    """Replace the letters that this terminal cannot show with question marks."""
    encoding = sys.stdout.encoding or "utf-8"
    return text.encode(encoding, "replace").decode(encoding)
