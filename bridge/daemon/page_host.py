"""The daemon's side of the page: starts the page's process, sends it views, receives its commands. Shell.

The page is a process of its own, so that no browser can delay the guard. The daemon never waits for it, and
memory does not grow: only the newest view of each reservoir is kept, it is written at most four times a
second, and not at all while the pipe is full. A page that dies is started again.
"""

import asyncio
import contextlib
import os
import sys
from collections import OrderedDict
from collections.abc import Callable, Sequence
from dataclasses import astuple, replace
from pathlib import Path

import bridge
from bridge import __version__
from bridge.clock import Backoff
from bridge.config.plan import LogPlan, PagePlan
from bridge.daemon.page_lines import (
    LONGEST_LINE,
    CommandRequest,
    CommandResult,
    Fittings,
    Opened,
    Setup,
    Trouble,
    Unfit,
    command_result_line,
    in_ppm,
    read_from_page,
    setup_line,
    view_line,
)
from bridge.guard.commands import GuardCommand
from bridge.mqtt.broker import BrokerSettings
from bridge.mqtt.commands import Incoming, Refused, parse
from bridge.mqtt.thing import Access
from bridge.station.events import Level, StationEvent
from bridge.station.plan import StationIdentity, StationPlan
from bridge.station.view import StationView
from bridge.units import DisplayUnits

SENDER = "page"
"""Who sent a command, for the record."""
EVERY_S = 0.25
"""The shortest time between two views of a reservoir."""
FIRST_WAIT_S, LONGEST_WAIT_S = 1.0, 60.0
"""Before the page is started again."""
FULL_PIPE = 64 * 1024
"""Bytes in the pipe from which on views are left out."""
LINE_EVERY_S = 0.02
"""The daemon reads at most one line in this time, so a faulty page cannot keep it busy."""
FAREWELL_S = 1.0
MOST_KEYS = 64
"""Commands whose result is kept, so that a command sent again gets the result of the first time."""
EXPIRED = (
    "The command waited too long for the bridge. It was not carried out; send it again if you still want it."
)
_KEPT_OF_ENVIRONMENT = ("PATH", "HOME", "LANG", "LANGUAGE", "TZ", "TMPDIR", "VIRTUAL_ENV")
"""All that the page inherits: no password, no credential, no socket of the service manager."""


class PageHost:
    """Starts the page's process and keeps it running.

    Args:
        plan: where the page listens, and its token.
        log: the log's plan; None if there is no log.
        units: the units that people see.
        reservoirs: every reservoir that will ever be offered.
        fittings: the marks, the cartridge and the calibrations of each of these reservoirs.
        broker: the hub's broker, for the descriptions of the reservoirs. The page gets none of its secrets.
        garden: the trays and their waters, packed; empty if there are no trays.
        on_command: called in the event loop with the reservoir's id, a valid command, and a callback for
            the result: None if the command was carried out, else the sentence that refuses it.
        on_refused: called for each malformed command with the reservoir's id, the sentence that refuses it,
            and a callback that sends the refusal to the page; call that when the refusal is logged.
        report: called with events that people should know of.
    """

    def __init__(
        self,
        plan: PagePlan,
        log: LogPlan | None,
        units: DisplayUnits,
        reservoirs: Sequence[StationIdentity],
        fittings: Sequence[Fittings] = (),
        *,
        broker: BrokerSettings | None,
        garden: str = "",
        on_command: Callable[[str, GuardCommand, Callable[[str | None], None]], None],
        on_refused: Callable[[str, str, Callable[[], None]], None],
        report: Callable[[StationEvent], None],
    ) -> None:
        self._plan = plan
        self._on_command = on_command
        self._on_refused = on_refused
        self._report = report
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
            tuple(reservoirs),
            tuple(fittings),
            None if broker is None else astuple(Access.of(broker)),
            garden,
        )
        self._latest: dict[str, StationView] = {}
        self._fresh: set[str] = set()
        self._due: asyncio.TimerHandle | None = None
        self._written_at = 0.0
        self._results: OrderedDict[str, CommandResult | list[int]] = OrderedDict()
        """By key: the result of a command, or the numbers of the requests that wait for it."""
        self._process: asyncio.subprocess.Process | None = None
        self._troubled = False
        self.opened: Opened | None = None
        """Where browsers find the page; None while it is not served."""

    @property
    def pid(self) -> int | None:
        """The process id of the page; None while it does not run."""
        return None if self._process is None else self._process.pid

    def offer(self, view: StationView) -> None:
        """Take the state of a reservoir, to be shown soon. Never blocks; only the latest one is kept."""
        reservoir = view.identity.reservoir
        self._latest[reservoir] = view
        self._fresh.add(reservoir)
        if self._due is None and self._process is not None:
            self._due = self._loop.call_at(self._written_at + EVERY_S, self._write)

    async def run(self) -> None:
        """Keep the page running until cancelled."""
        backoff = Backoff(FIRST_WAIT_S, LONGEST_WAIT_S)
        while True:
            began = self._loop.time()
            self._troubled = False
            try:
                why = await self._serve()
            except Exception as error:  # noqa: BLE001 - no fault of the page may stop the guard
                why = f"It cannot be started or kept ({type(error).__name__}: {error})."
            backoff.lasted(self._loop.time() - began)
            # Trying again soon does not help against a reason that the page itself knows.
            wait_s = LONGEST_WAIT_S if self._troubled else backoff.wait_s()
            self._event(
                "page-away",
                Level.WARNING,
                f"The page is not served: {why} The next attempt is in {wait_s:.0f} s.",
            )
            await asyncio.sleep(wait_s)

    async def _serve(self) -> str:
        """Run the page's process once. Returns why it ended."""
        process = await asyncio.create_subprocess_exec(
            # Without -P the process would also import modules from the daemon's working directory.
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
            why = await self._receive(process.stdout)
            if why is not None:
                return why
            return f"Its process ended with status {await process.wait()}."
        finally:
            self._process, self.opened = None, None
            if self._due is not None:
                self._due.cancel()
                self._due = None
            await _end(process)

    async def _receive(self, lines: asyncio.StreamReader) -> str | None:
        """Handle the page's lines until its output ends. Returns why it cannot serve, or None."""
        trouble: str | None = None
        while line := await lines.readline():
            match read_from_page(line):
                case Opened() as opened:
                    self.opened = opened
                    where = f"http://{_in_url(opened.host)}:{opened.port}/"
                    self._event("page-open", Level.INFO, f"The page is served at {where}.")
                case Trouble(sentence):
                    trouble, self._troubled = sentence, True
                case CommandRequest() as request:
                    self._carry_out(request)
            await asyncio.sleep(LINE_EVERY_S)
        return trouble

    def _carry_out(self, request: CommandRequest) -> None:
        """Handle a command as one from the hub: the same parser reads it, and the guard decides."""
        if self._is_repeated(request):
            return
        if self._loop.time() >= request.expires_at:
            self._refuse(request, self._known(request.reservoir), EXPIRED, "refused")
            return
        layout = self._plan.layout
        device = f"{layout.bridge}-{request.reservoir}"
        topic = f"{layout.base(device)}/{request.property}/set"
        identity = self._identities.get(device)
        # An unknown reservoir has no factor; the parser refuses it below, so any factor will do.
        factor = 1.0 if identity is None else identity.factor
        text = in_ppm(request.property, request.value, request.unit, factor)
        if isinstance(text, Unfit):
            self._refuse(request, request.reservoir, text.sentence)
            return
        value = text.encode("utf-8", "backslashreplace")
        message = Incoming(topic, value, retained=False, received_at=self._loop.time())
        read = parse(layout, self._identities, message, SENDER)
        if isinstance(read, Refused):
            known = self._identities.get(read.device)
            self._refuse(request, "" if known is None else known.reservoir, read.sentence)
            return

        def send_result(refusal: str | None) -> None:
            if refusal is None:
                self._finish(request, CommandResult(request.number, "done", "Done."))
            else:
                sentence = refusal[:1].upper() + refusal[1:]
                self._finish(request, CommandResult(request.number, "refused", sentence))

        self._on_command(read.reservoir, read.command, send_result)

    def _is_repeated(self, request: CommandRequest) -> bool:
        """Answer a command that was received before, by its key; return False if it is new."""
        if request.key == "":
            return False
        match self._results.get(request.key):
            case CommandResult() as known:
                self._send_result(replace(known, number=request.number))
                return True
            case list() as waiting:
                waiting.append(request.number)
                return True
        self._results[request.key] = [request.number]
        if len(self._results) > MOST_KEYS:
            self._results.popitem(last=False)
        return False

    def _known(self, reservoir: str) -> str:
        return reservoir if any(one.reservoir == reservoir for one in self._setup.reservoirs) else ""

    def _refuse(
        self, request: CommandRequest, reservoir: str, sentence: str, status: str = "malformed"
    ) -> None:
        result = CommandResult(request.number, status, sentence)
        self._on_refused(reservoir, sentence, lambda: self._finish(request, result))

    def _finish(self, request: CommandRequest, result: CommandResult) -> None:
        waiting = self._results.get(request.key)
        if isinstance(waiting, list):
            self._results[request.key] = result
            for number in waiting:
                self._send_result(replace(result, number=number))
        else:
            self._send_result(result)

    def _send_result(self, result: CommandResult) -> None:
        if self._process is not None and self._process.stdin is not None:
            self._process.stdin.write(command_result_line(result))

    def _write(self) -> None:
        """Write the newest views; while the pipe is full, try again later with the views of that time."""
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

    def _event(self, event: str, level: Level, sentence: str) -> None:
        self._report(StationEvent("", event, level, sentence))


def fittings_of(station: StationPlan) -> Fittings:
    """Return what the page shows of a station's plan."""
    level, capacity_l = station.level, station.identity.capacity_l
    cells = {"product": station.product, "feed": station.feed}

    def mark_l(fraction: float) -> float | None:
        return None if level.level_sensor is None else fraction * capacity_l

    return Fittings(
        mark_l(level.refill_fraction),
        mark_l(level.fill_fraction),
        None if station.cartridge is None else station.cartridge.lead_days,
        tuple(
            (name, None if cell.calibration is None else int(cell.calibration.made.timestamp() * 1000))
            for name, cell in cells.items()
            if cell is not None
        ),
        station.limits.has_overflow_float,
    )


def _environment() -> dict[str, str]:
    kept = {
        name: value
        for name, value in os.environ.items()
        if name in _KEPT_OF_ENVIRONMENT or name.startswith(("LC_", "PYTHON"))
    }
    # The page must run the same program as the daemon, wherever that is installed.
    places = [str(Path(bridge.__file__).resolve().parents[1]), kept.get("PYTHONPATH", "")]
    return kept | {"PYTHONPATH": os.pathsep.join(place for place in places if place)}


def _in_url(host: str) -> str:
    return f"[{host}]" if ":" in host else host


async def _end(process: asyncio.subprocess.Process) -> None:
    """End the page by closing its input; kill it if that does not end it in time."""
    assert process.stdin is not None
    process.stdin.close()
    try:
        async with asyncio.timeout(FAREWELL_S):
            await process.wait()
    except TimeoutError:
        with contextlib.suppress(ProcessLookupError):
            process.kill()
        await process.wait()
