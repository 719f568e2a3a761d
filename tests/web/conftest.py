"""A bridge with its page: a real daemon, the page's process, a scripted controller, real sockets."""

import asyncio
import json
import subprocess
import sys
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import AbstractAsyncContextManager, asynccontextmanager, contextmanager
from dataclasses import dataclass, field, replace
from typing import Any

import httpx
import pytest

from bridge.config.plan import BridgePlan, PagePlan
from bridge.daemon import process as bridge_process
from bridge.daemon.keeper import Answered, Keeper
from bridge.daemon.page_lines import CommandRequest, Fittings, Opened, Setup, read_from_page, setup_line
from bridge.daemon.process import Daemon
from bridge.demo import RESERVOIR, station
from bridge.guard.commands import GuardCommand
from bridge.mqtt.broker import Secret
from bridge.mqtt.topics import Layout
from bridge.rig.scenario import DEMO
from bridge.station.events import StationEvent
from bridge.station.plan import StationIdentity, StationPlan
from bridge.station.view import StationView
from bridge.units import DisplayUnits
from tests.board import UNHURRIED, Board, SpiedKeeper, filling, greeted
from tests.waiting import DEADLINE_S, changed, until, within

TOKEN = "velvet-badger-77-in-the-bog"
LAYOUT = Layout("tunnel", "The tunnel")
QUICK = replace(UNHURRIED, rinse_min_s=0.05, in_spec_s=0.05, pause_s=0.1, settle_s=0.1)
"""A fill begins within moments, so that many can be tripped."""


@pytest.fixture
def board() -> Iterator[Board]:
    one = Board()
    yield one
    one.close()


@dataclass
class Site:
    """A running bridge and its observed effects."""

    board: Board
    daemon: Daemon
    events: list[StationEvent]
    commands: list[GuardCommand]
    web: httpx.AsyncClient
    heard: dict[str, Any] = field(default_factory=dict)

    @property
    def keeper(self) -> Keeper:
        return self.daemon.keepers[RESERVOIR]

    @property
    def url(self) -> str:
        opened = self.daemon.page.opened if self.daemon.page is not None else None
        assert opened is not None
        return f"http://{opened.host}:{opened.port}"

    async def opened(self) -> None:
        """Waits until the page is served and has received a view."""
        page = self.daemon.page
        assert page is not None
        await until(lambda: page.opened is not None, "the page was never served")
        self.web.base_url = httpx.URL(self.url)

    async def command(self, path: str, value: str, unit: str | None = None, **headers: str) -> httpx.Response:
        """Sends a command as the page's own script does, with the given headers changed."""
        named = {} if unit is None else {"unit": unit}
        return await self.act({"property": path, "value": value} | named, **headers)

    async def act(self, command: dict[str, str], **headers: str) -> httpx.Response:
        """Sends any body as a command."""
        own = {"authorization": f"Bearer {TOKEN}", "origin": self.url, "sec-fetch-site": "same-origin"}
        sent = {name.replace("_", "-"): value for name, value in headers.items()}
        return await self.web.post(
            f"/api/reservoirs/{RESERVOIR}/command",
            content=json.dumps(command),
            headers={**own, "content-type": "application/json", **sent},
        )

    async def filling(self) -> None:
        """Sends readings of good water until the reservoir fills."""
        await filling(self.board, self.keeper)


Begin = Callable[..., AbstractAsyncContextManager[Site]]


@pytest.fixture
def begin(board: Board, monkeypatch: pytest.MonkeyPatch) -> Begin:
    """Runs a bridge with its page: ``async with begin(token=None, name=...) as site``."""
    SpiedKeeper.board, SpiedKeeper.answers = board, []
    monkeypatch.setattr(bridge_process, "Keeper", SpiedKeeper)

    @asynccontextmanager
    async def run(
        *, token: str | None = TOKEN, name: str = "The barrel", port: int = 0, opens: bool = True, **more: Any
    ) -> AsyncIterator[Site]:
        one: StationPlan = station(DEMO, board.path, QUICK, 0.5, 0.65)
        one = replace(one, identity=replace(one.identity, name=name))
        page = PagePlan(LAYOUT, port=port, token=None if token is None else Secret(token))
        plan = replace(BridgePlan((one,), None), page=page, **more)
        events: list[StationEvent] = []
        commands: list[GuardCommand] = []
        daemon = Daemon(plan, events.append)
        task = asyncio.create_task(daemon.run())
        await within(daemon.ready.wait(), "the daemon never was ready")
        obeyed = daemon.keepers[RESERVOIR].command

        def noted(command: GuardCommand, answered: Answered | None = None) -> str | None:
            commands.append(command)
            return obeyed(command, answered)

        monkeypatch.setattr(daemon.keepers[RESERVOIR], "command", noted)
        async with httpx.AsyncClient(timeout=DEADLINE_S) as web:
            site = Site(board, daemon, events, commands, web)
            try:
                await greeted(board)
                board.hello()
                if opens:
                    await site.opened()
                yield site
            finally:
                daemon.stop()
                await within(task, "the daemon did not stop")

    return run


class Events:
    """The events that a browser has received: the newest facts, and the last notice of a fill."""

    def __init__(self, site: Site) -> None:
        self._site = site
        self.hello: dict[str, Any] = {}
        self.facts: dict[str, Any] = {}
        self.count = 0
        self.fills: dict[str, Any] = {}
        self._news = asyncio.Condition()

    async def listen(self) -> None:
        async with self._site.web.stream("GET", "/api/events") as answer:
            assert answer.headers["content-type"].startswith("text/event-stream")
            name = ""
            async for line in answer.aiter_lines():
                if line.startswith("event: "):
                    name = line.removeprefix("event: ")
                elif line.startswith("data: "):
                    said = json.loads(line.removeprefix("data: "))
                    async with self._news:
                        if name == "hello":
                            self.hello = said
                        elif name == "fills":
                            self.fills = said
                        else:
                            self.facts, self.count = said, self.count + 1
                        self._news.notify_all()

    async def until(self, so: Callable[[dict[str, Any]], bool], told: str) -> dict[str, Any]:
        """Returns the first facts for which a condition holds."""
        await changed(
            self._news,
            lambda: bool(self.facts) and so(self.facts),
            lambda: f"{told}; the page shows {json.dumps(self.facts, ensure_ascii=False)}",
        )
        return self.facts


@asynccontextmanager
async def listening(site: Site) -> AsyncIterator[Events]:
    """A browser that receives the events."""
    events = Events(site)
    task = asyncio.create_task(events.listen())
    try:
        await until(lambda: bool(events.hello), "no event said hello")
        yield events
    finally:
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)


@dataclass
class Alone:
    """The page's process without a daemon. The test is at the other end of its pipes."""

    process: "subprocess.Popen[bytes]"
    port: int

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    async def asked(self) -> CommandRequest:
        """Returns the next command of a browser."""
        assert self.process.stdout is not None
        line = await within(asyncio.to_thread(self.process.stdout.readline), "the page asked nothing")
        read = read_from_page(line)
        assert isinstance(read, CommandRequest)
        return read

    def tell(self, line: bytes) -> None:
        assert self.process.stdin is not None
        self.process.stdin.write(line)
        self.process.stdin.flush()


IDENTITY = StationIdentity(RESERVOIR, "The barrel", 200.0, 50.0, 25.0, 0.5, True, True, True, True)


@contextmanager
def alone_with(*reservoirs: StationIdentity, fittings: tuple[Fittings, ...] = ()) -> Iterator[Alone]:
    """A page process without a daemon, which answers requests."""
    setup = Setup(
        "tunnel", "The tunnel", "homie", "0", DisplayUnits(), "127.0.0.1", 0, (), Secret(TOKEN), None,
        reservoirs, fittings,
    )  # fmt: skip
    with subprocess.Popen(
        [sys.executable, "-m", "bridge.web"], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    ) as process:
        assert process.stdin is not None
        assert process.stdout is not None
        process.stdin.write(setup_line(setup))
        process.stdin.flush()
        opened = read_from_page(process.stdout.readline())
        assert isinstance(opened, Opened)
        yield Alone(process, opened.port)
        process.stdin.close()
        assert process.wait(DEADLINE_S) == 0, "the page did not end with its input"


@pytest.fixture(scope="module")
def alone() -> Iterator[Alone]:
    """One page process for a whole module."""
    with alone_with(IDENTITY) as one:
        yield one


@pytest.fixture
def view() -> StationView:
    """The view of an idle reservoir with everything fitted, without a fault."""
    return StationView(
        IDENTITY, True, 12.0, 6.0, 0.4, 18.0, "good", "standing", "unknown", 640.0, 320.0, 15.0, "good",
        120.0, 0.6, "middle", "good", False, 7.0, 1.2, "suitable", 0.0, "balance", "shut", "shut", (), False,
        "idle", 0.0, 0.0, 30.0, 1500.0, 470.0, 98.1,
        412.0, 21.0, 17.5, 26.0, False, 6.5, 5.0, 9.0, "good", None, (), (), 1000, 0, "rig 1.0",
    )  # fmt: skip
