"""The daemon's end of the page: starts the page's process, hands it views, takes its commands.

Shell. The page is a process of its own, so that no browser can take a moment from the guard. Towards it
nothing waits and nothing grows: of every reservoir only the newest view is kept, it is written at most four
times a second, and not at all while the pipe is full. A page that dies is started again.

What people type into the page's forms, in the unit that stands beside them. Core.

A browser says with a figure in which unit it was asked for, so that no change of the setting can turn one
unit into the other on the way. Everything behind the page takes ppm on the reservoir's own scale.
"""

import asyncio
import contextlib
import os
import re
import sys
from collections.abc import Callable, Sequence
from dataclasses import astuple, dataclass
from pathlib import Path

import bridge
from bridge import __version__
from bridge.config.plan import LogPlan, PagePlan
from bridge.daemon.page_lines import (
    LONGEST_LINE,
    Answer,
    Asked,
    Opened,
    Setup,
    Trouble,
    answer_line,
    read_from_page,
    setup_line,
    view_line,
)
from bridge.guard.commands import GuardCommand
from bridge.mqtt.broker import BrokerSettings
from bridge.mqtt.commands import Incoming, Refused, parse
from bridge.mqtt.properties import PROPERTIES, SAMPLE_MAX_PPM
from bridge.mqtt.thing import Access
from bridge.station.plan import StationIdentity
from bridge.station.station import Level, StationEvent
from bridge.station.view import StationView
from bridge.units import DisplayUnits, SolidsUnit

BY_HAND = frozenset(row.path for row in PROPERTIES if row.settable and row.unit == SolidsUnit.PPM.value)
"""The properties that take a measurement by hand."""
_NUMBER = re.compile(r"(\d+(\.\d*)?|\.\d+)([eE]-?\d+)?", re.ASCII)
_DIGITS = 10
"""Significant ones; more would only be those of a binary fraction."""


@dataclass(frozen=True, slots=True)
class Unfit:
    """Nothing is done; the sentence says what would have been right."""

    sentence: str


def in_ppm(path: str, text: str, unit: str, factor: float) -> str | Unfit:
    """The text as the property takes it: figures in µS/cm become ppm, all else stays for its own reader.

    :param path: the property, such as ``product/retest``.
    :param unit: in which the text counts; empty where the browser did not say, which is as the property has
        it.
    :param factor: the reservoir's scale, ppm for each µS/cm at 25 °C.
    """
    if unit == "" or (unit == SolidsUnit.PPM.value and path in BY_HAND):
        return text
    if unit != SolidsUnit.US_CM.value or path not in BY_HAND:
        return Unfit(f"The command {_excerpt(path)} was refused: it is not set in {_excerpt(unit)}.")
    ppm = factor * float(text) if _NUMBER.fullmatch(text) else -1.0
    if not 0.0 <= ppm <= SAMPLE_MAX_PPM:
        return Unfit(
            f"The command {path} was refused: {_excerpt(text)} is not a number of µS/cm from 0 to "
            f"{SAMPLE_MAX_PPM / factor:.0f}, with a point before the decimals."
        )
    return f"{ppm:.{_DIGITS}g}"


def _excerpt(text: str) -> str:
    return f"{text[:40]!a}..." if len(text) > 40 else f"{text!a}"


FROM_PAGE = "page"
EVERY_S = 0.25
"""The shortest time between two views of a reservoir."""
FIRST_WAIT_S = 1.0
LONGEST_WAIT_S = 60.0
FULL_PIPE = 64 * 1024
"""Bytes that may wait for the page before views are left out."""
LINE_EVERY_S = 0.02
"""A page that went mad takes no more of the daemon than a line in this time."""
FAREWELL_S = 1.0
_KEPT_OF_ENVIRONMENT = ("PATH", "HOME", "LANG", "LANGUAGE", "TZ", "TMPDIR", "VIRTUAL_ENV")
"""All that the page inherits: no password, no credential, no word with the service manager."""


class PageHost:
    """The page as the daemon sees it.

    :param reservoirs: every reservoir that will ever be offered.
    :param broker: the hub's, for the descriptions of the reservoirs; none of its secrets goes to the page.
    :param on_command: called in the event loop with the reservoir's id and a whole command; None if it took
        the command, or the sentence that refuses it.
    :param on_refused: called with the reservoir's id and the sentence, for what came as a command and is
        none.
    :param tell: called with what people should know of the page.
    """

    def __init__(
        self,
        plan: PagePlan,
        log: LogPlan | None,
        units: DisplayUnits,
        reservoirs: Sequence[StationIdentity],
        *,
        broker: BrokerSettings | None,
        on_command: Callable[[str, GuardCommand], str | None],
        on_refused: Callable[[str, str], None],
        tell: Callable[[StationEvent], None],
    ) -> None:
        self._plan = plan
        self._on_command = on_command
        self._on_refused = on_refused
        self._tell = tell
        self._loop = asyncio.get_running_loop()
        self._identities = {plan.layout.device(one.reservoir): one for one in reservoirs}
        self._setup = Setup(
            plan.layout.bridge,
            plan.layout.name,
            plan.layout.prefix,
            __version__,
            units,
            plan.host,
            plan.port,
            plan.names,
            plan.token,
            None if log is None else str(log.path),
            None if log is None else str(_spill_of(log)),
            tuple(reservoirs),
            None if broker is None else astuple(Access.of(broker)),
        )
        self._latest: dict[str, StationView] = {}
        self._fresh: set[str] = set()
        self._due: asyncio.TimerHandle | None = None
        self._written_at = 0.0
        self._process: asyncio.subprocess.Process | None = None
        self._troubled = False
        self.opened: Opened | None = None
        """Where browsers find it; None while it is not served."""

    @property
    def pid(self) -> int | None:
        """The page's process; None while there is none."""
        return None if self._process is None else self._process.pid

    def offer(self, view: StationView) -> None:
        """Show this as soon as may be. Never blocks, never grows."""
        reservoir = view.identity.reservoir
        self._latest[reservoir] = view
        self._fresh.add(reservoir)
        if self._due is None and self._process is not None:
            self._due = self._loop.call_at(self._written_at + EVERY_S, self._write)

    async def run(self) -> None:
        """Keep the page going until cancelled."""
        wait_s = FIRST_WAIT_S
        while True:
            began = self._loop.time()
            self._troubled = False
            try:
                why = await self._serve()
            except Exception as error:  # noqa: BLE001 - whatever becomes of the page, the guard goes on
                why = f"It cannot be started or kept ({type(error).__name__}: {error})."
            if self._loop.time() - began > LONGEST_WAIT_S:
                wait_s = FIRST_WAIT_S
            if self._troubled:
                wait_s = LONGEST_WAIT_S
            self._say(
                "page-away", Level.WARNING, f"The page is away: {why} It is tried again in {wait_s:.0f} s."
            )
            await asyncio.sleep(wait_s)
            wait_s = min(2 * wait_s, LONGEST_WAIT_S)

    async def _serve(self) -> str:
        """One life of the page's process; why it ended."""
        process = await asyncio.create_subprocess_exec(
            # Without -P the process would also look for its modules where the daemon happens to stand.
            sys.executable, "-P", "-m", "bridge.web",
            stdin=asyncio.subprocess.PIPE,
            stdout=asyncio.subprocess.PIPE,
            limit=LONGEST_LINE,
            env=_environment(),
            start_new_session=True,
        )  # fmt: skip
        assert process.stdin is not None
        assert process.stdout is not None
        self._process = process
        try:
            process.stdin.write(setup_line(self._setup))
            self._fresh = set(self._latest)
            self._write()
            why = await self._listen(process.stdout)
            if why is not None:
                return why
            return f"Its process ended with status {await process.wait()}."
        finally:
            self._process, self.opened = None, None
            if self._due is not None:
                self._due.cancel()
                self._due = None
            await _end(process)

    async def _listen(self, said: asyncio.StreamReader) -> str | None:
        """What the page says, to its end: None, or the sentence of what it cannot do."""
        trouble: str | None = None
        while line := await said.readline():
            match read_from_page(line):
                case Opened() as opened:
                    self.opened = opened
                    where = f"http://{_in_url(opened.host)}:{opened.port}/"
                    self._say("page-open", Level.INFO, f"The page is served at {where}.")
                case Trouble(sentence):
                    trouble, self._troubled = sentence, True
                case Asked() as asked:
                    answer = answer_line(self._answer(asked))
                    if self._process is not None and self._process.stdin is not None:
                        self._process.stdin.write(answer)
            await asyncio.sleep(LINE_EVERY_S)
        return trouble

    def _answer(self, asked: Asked) -> Answer:
        """The command on the same way as one from the hub: read by the same parser, judged by the guard."""
        layout = self._plan.layout
        device = f"{layout.bridge}-{asked.reservoir}"
        topic = f"{layout.base(device)}/{asked.property}/set"
        identity = self._identities.get(device)
        # Of a reservoir that is not there, the parser says so, whatever its figure would have been.
        factor = 1.0 if identity is None else identity.factor
        text = in_ppm(asked.property, asked.value, asked.unit, factor)
        if isinstance(text, Unfit):
            self._on_refused(asked.reservoir, text.sentence)
            return Answer(asked.number, "malformed", text.sentence)
        value = text.encode("utf-8", "backslashreplace")
        message = Incoming(topic, value, retained=False, received_at=self._loop.time())
        read = parse(layout, self._identities, message, FROM_PAGE)
        if isinstance(read, Refused):
            known = self._identities.get(read.device)
            self._on_refused("" if known is None else known.reservoir, read.sentence)
            return Answer(asked.number, "malformed", read.sentence)
        refusal = self._on_command(read.reservoir, read.command)
        if refusal is not None:
            return Answer(asked.number, "refused", refusal[:1].upper() + refusal[1:])
        return Answer(asked.number, "done", "Done.")

    def _write(self) -> None:
        """Hand the newest views on, unless the pipe is full: then later, what is newest then."""
        self._due = None
        if self._process is None or self._process.stdin is None or not self._fresh:
            return
        self._written_at = self._loop.time()
        pipe = self._process.stdin.transport
        if pipe.get_write_buffer_size() > FULL_PIPE:
            self._due = self._loop.call_later(EVERY_S, self._write)
            return
        pipe.write(b"".join([view_line(self._latest[reservoir]) for reservoir in self._fresh]))
        self._fresh.clear()

    def _say(self, event: str, level: Level, sentence: str) -> None:
        self._tell(StationEvent("", event, level, sentence))


def _environment() -> dict[str, str]:
    kept = {
        name: value
        for name, value in os.environ.items()
        if name in _KEPT_OF_ENVIRONMENT or name.startswith(("LC_", "PYTHON"))
    }
    # The page is the same program, from wherever the daemon has it.
    places = [str(Path(bridge.__file__).resolve().parents[1]), kept.get("PYTHONPATH", "")]
    return kept | {"PYTHONPATH": os.pathsep.join(place for place in places if place)}


def _spill_of(log: LogPlan) -> Path:
    from bridge.history.log import spill_path

    return spill_path(log.path)


def _in_url(host: str) -> str:
    return f"[{host}]" if ":" in host else host


async def _end(process: asyncio.subprocess.Process) -> None:
    """The page ends when its input does; if not, it is ended."""
    assert process.stdin is not None
    process.stdin.close()
    try:
        async with asyncio.timeout(FAREWELL_S):
            await process.wait()
    except TimeoutError:
        with contextlib.suppress(ProcessLookupError):
            process.kill()
        await process.wait()
