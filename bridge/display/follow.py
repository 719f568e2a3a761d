"""Follows bridges and shows them: once, line by line, or in place on a terminal. Shell.

A subscriber: keeps what bridges publish, through every outage of the broker. Shell.
"""

import asyncio
import contextlib
import shutil
import signal
import sys
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager

from bridge.display.terminal import NARROWEST, WIDTH, Watch, changes, cropped, screen
from bridge.display.topics import HeardBridge, bridges
from bridge.errors import HubError, InputError
from bridge.mqtt.broker import BrokerSettings, BrokerTrouble, explain
from bridge.mqtt.session import Session
from bridge.units import DisplayUnits

MOST_TOPICS = 20_000
LONGEST_PAYLOAD = 256 * 1024
"""More than this no bridge publishes; what a stranger does is not kept."""
FIRST_WAIT_S, LONGEST_WAIT_S = 0.5, 10.0
_ANSWER_S = 5.0


class Listener:
    """Follows every device of the convention on one broker; publishes nothing.

    :param settings: the broker; its client id must not be the bridge's own, which it would throw out.
    :param prefix: the first level of the topics.
    :param on_change: called in the event loop when something was heard; it must not block.
    """

    def __init__(self, settings: BrokerSettings, prefix: str, on_change: Callable[[], None]) -> None:
        self._settings = settings
        self._start = f"{prefix}/5/"
        self._on_change = on_change
        self.kept: dict[str, str] = {}
        """What is retained, by topic; empty while the broker is away, as it may be so no longer."""
        self.heard_at: dict[str, float] = {}
        """When each device was last heard, in seconds of UTC since 1970."""
        self.trouble: str | None = None
        """Why the broker cannot be heard, as a sentence; None while it can."""
        self.connected_at: float | None = None
        """Since when there is a connection, in monotonic seconds; None while there is none."""

    async def run(self) -> None:
        """Listen until cancelled; try again for ever, however long the broker is away."""
        wait_s = FIRST_WAIT_S
        while True:
            try:
                await self._connection()
            except (BrokerTrouble, OSError, ValueError, HubError) as error:
                self.trouble = str(explain(error, self._settings))
            if self.connected_at is not None:
                wait_s, self.connected_at = FIRST_WAIT_S, None
            self._on_change()
            await asyncio.sleep(wait_s)
            wait_s = min(2.0 * wait_s, LONGEST_WAIT_S)

    async def _connection(self) -> None:
        async with Session(self._settings, answer_s=_ANSWER_S, on_message=self._hear) as session:
            self.kept.clear()
            # The state comes last, so that a device that is ready has been heard whole before.
            await session.subscribe([f"{self._start}+/+/+", f"{self._start}+/+"])
            self.trouble, self.connected_at = None, time.monotonic()
            self._on_change()
            await asyncio.shield(session.ended)

    def _hear(self, topic: str, payload: bytes, kept: bool) -> None:
        device, _, rest = topic.removeprefix(self._start).partition("/")
        if rest.startswith("$log/"):
            return
        if not payload:
            self.kept.pop(topic, None)
        elif len(payload) <= LONGEST_PAYLOAD and (topic in self.kept or len(self.kept) < MOST_TOPICS):
            self.kept[topic] = payload.decode("utf-8", "replace")
        self.heard_at[device] = time.time()
        self._on_change()


async def ended(task: "asyncio.Task[None]", within_s: float = 1.0) -> None:
    """End a task; a broker that hangs may not hold up the goodbye for longer than this."""
    task.cancel()
    with contextlib.suppress(TimeoutError, asyncio.CancelledError, BrokerTrouble):
        await asyncio.wait_for(asyncio.shield(task), within_s)


PAUSE_S = 0.25
"""Between two looks: four a second are as many as anybody reads."""
SETTLED_S = 0.3
"""Everything retained has come when nothing more has come for so long..."""
HURRIED_S = 1.5
"""...or when a bridge is whole and talks on for so long."""
GRACE_S = 1.0
"""Before an empty broker is called that: what it keeps comes a moment after the connection."""
_HIDE, _SHOW, _CLEAR, _HOME = "\x1b[?25l", "\x1b[?25h", "\x1b[2J", "\x1b[H"
_TO_END_OF_LINE, _TO_END = "\x1b[K", "\x1b[J"


async def once_only(
    broker: BrokerSettings, prefix: str, watch: Watch, units: DisplayUnits, wait_s: float
) -> None:
    """Print one view.

    :raises HubError: the broker cannot be used, or no bridge answered in time.
    :raises InputError: the bridge has no such reservoir.
    """
    heard = asyncio.Event()
    listener = Listener(broker, prefix, heard.set)
    task = asyncio.create_task(listener.run())
    try:
        found = await _settled(listener, heard, prefix, watch, units, wait_s)
    finally:
        await ended(task)
    if not watch.of(found):
        raise HubError(f"{watch.nobody()}.")
    if watch.reservoir is not None and not watch.reservoirs(found):
        raise InputError(watch.no_such(found))
    _say(screen(watch, found, None, _columns()))


async def _settled(
    listener: Listener,
    heard: asyncio.Event,
    prefix: str,
    watch: Watch,
    units: DisplayUnits,
    wait_s: float,
) -> tuple[HeardBridge, ...]:
    """What was heard when all of it has come, or when the waiting is over."""
    began = time.monotonic()
    whole_since: float | None = None
    while (now := time.monotonic()) - began < wait_s:
        if listener.trouble is not None:
            raise HubError(listener.trouble)
        meant = watch.of(_bridges(listener, prefix, units))
        whole = bool(meant) and all(one.is_whole for one in meant)
        whole_since = (whole_since or now) if whole else None
        if whole_since is not None and now - whole_since > HURRIED_S:
            break
        heard.clear()
        try:
            await asyncio.wait_for(heard.wait(), SETTLED_S if whole else wait_s - (now - began))
        except TimeoutError:
            break
    return _bridges(listener, prefix, units)


async def follow(
    broker: BrokerSettings, prefix: str, watch: Watch, units: DisplayUnits, *, in_place: bool
) -> None:
    """Show the bridges until SIGINT or SIGTERM.

    :param in_place: draw over the last view; else print what has changed, line by line.
    """
    heard, stop = asyncio.Event(), asyncio.Event()
    loop = asyncio.get_running_loop()
    for number in (signal.SIGINT, signal.SIGTERM):
        loop.add_signal_handler(number, stop.set)
    listener = Listener(broker, prefix, heard.set)
    task = asyncio.create_task(listener.run())
    stopping = asyncio.create_task(stop.wait())
    before: list[str] = []
    try:
        with _drawing() if in_place else contextlib.nullcontext():
            while not stop.is_set():
                heard.clear()
                whole = _screen(listener, prefix, watch, units)
                if in_place and whole != before:
                    _draw(whole)
                elif not in_place and (said := changes(before, whole)):
                    _say(said)
                before = whole
                await asyncio.wait({stopping}, timeout=PAUSE_S)
                waiting = asyncio.create_task(heard.wait())
                await asyncio.wait({waiting, stopping}, timeout=GRACE_S, return_when=asyncio.FIRST_COMPLETED)
                waiting.cancel()
    finally:
        stopping.cancel()
        await ended(task)


def _screen(listener: Listener, prefix: str, watch: Watch, units: DisplayUnits) -> list[str]:
    found = _bridges(listener, prefix, units)
    trouble = None
    if listener.trouble is not None:
        trouble = f"{listener.trouble} It is tried again."
    elif listener.connected_at is None:
        trouble = "Connecting to the broker."
    elif not watch.reservoirs(found) and time.monotonic() - listener.connected_at < GRACE_S:
        trouble = "Listening for a bridge."
    return screen(watch, found, trouble, _columns())


def _bridges(listener: Listener, prefix: str, units: DisplayUnits) -> tuple[HeardBridge, ...]:
    times: Mapping[str, str] = {
        device: f"{units.local(utc_s):%H:%M:%S}" for device, utc_s in listener.heard_at.items()
    }
    return bridges(listener.kept, prefix, units, times)


def _columns() -> int:
    return max(NARROWEST, min(WIDTH, shutil.get_terminal_size((WIDTH, 24)).columns))


@contextmanager
def _drawing() -> Iterator[None]:
    """The cursor is out of the way, and comes back whatever happens."""
    sys.stdout.write(f"{_HIDE}{_CLEAR}")
    try:
        yield
    finally:
        sys.stdout.write(f"{_SHOW}\n")
        sys.stdout.flush()


def _draw(whole: Sequence[str]) -> None:
    """Over what stands there; nothing flickers, as nothing is wiped first."""
    rows = shutil.get_terminal_size((WIDTH, 24)).lines
    shown = cropped(whole, rows - 1, _columns())
    text = "".join(f"{line}{_TO_END_OF_LINE}\r\n" for line in shown)
    sys.stdout.write(_encodable(f"{_HOME}{text}{_TO_END}"))
    sys.stdout.flush()


def _say(said: Sequence[str]) -> None:
    sys.stdout.write(_encodable("".join(f"{line}\n" for line in said)))
    sys.stdout.flush()


def _encodable(text: str) -> str:
    """The text with what this terminal cannot show as question marks: some cannot show every letter."""
    encoding = sys.stdout.encoding or "utf-8"
    return text.encode(encoding, "replace").decode(encoding)
