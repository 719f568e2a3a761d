"""The routes of the page."""

import asyncio
import json
import time
from collections.abc import Awaitable, Callable
from contextlib import suppress
from http import HTTPStatus
from importlib.resources import files
from pathlib import Path

from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.middleware import Middleware
from starlette.middleware.gzip import GZipMiddleware
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Mount, Route
from starlette.staticfiles import StaticFiles
from starlette.types import ASGIApp

from bridge.daemon.page_lines import CommandRequest, CommandResult, Fittings, Setup
from bridge.display import as_json
from bridge.display.from_view import facts_of
from bridge.display.manual_page import html_of, title_of
from bridge.errors import LogError
from bridge.guard.model import Phase, Trip
from bridge.guard.rules import ACTIVE
from bridge.mqtt.topics import Layout
from bridge.station.plan import StationIdentity
from bridge.station.view import StationView
from bridge.web.by_hand import ByHand
from bridge.web.entries import Filter
from bridge.web.glance import glance_of, shown_view
from bridge.web.history import Records
from bridge.web.round import Tick, tick_in
from bridge.web.security import (
    SecurityMiddleware,
    TokenCheck,
    answered,
    command_in,
    from_log,
    object_in,
    refusal,
    require_json,
    small_body,
    span_of,
)
from bridge.web.server import Broadcaster, EventStream

STATIC = Path(__file__).parent / "static"
EXPIRES_S = 4.0
"""The daemon refuses a command that it reads later than this after the click."""
RESULT_S = 6.0
"""How long a browser waits for the result."""
MOST_COMMANDS = 8
"""Commands that may wait for the daemon at the same time."""
LAG_MS = 1000
"""The greatest age of a view when it arrives here."""
QUIET_S = 5.0
"""Unchanged facts are sent again after this time, so their time shows that they are still valid."""

SendCommand = Callable[[CommandRequest], None]
_STATUS = {"done": HTTPStatus.OK, "refused": HTTPStatus.CONFLICT, "malformed": HTTPStatus.BAD_REQUEST}


def manual_pages() -> dict[str, str]:
    """Return the Markdown of each page of the manual by its topic."""
    pages = sorted((files("bridge") / "manual").iterdir(), key=lambda page: page.name)
    return {
        page.name.removesuffix(".md"): page.read_text("utf-8") for page in pages if page.name.endswith(".md")
    }


class Page:
    """Everything behind the routes.

    Args:
        setup: the daemon's first message.
        send: passes a command to the daemon.
    """

    def __init__(self, setup: Setup, send: SendCommand) -> None:
        self.events = Broadcaster()
        self._setup = setup
        self._send = send
        self._identities: dict[str, StationIdentity] = {one.reservoir: one for one in setup.reservoirs}
        self._views: dict[str, StationView] = {}
        self._facts: dict[str, str] = {}
        names = [one.reservoir for one in setup.reservoirs]
        self._fittings = dict.fromkeys(names, Fittings()) | dict(zip(names, setup.fittings, strict=False))
        self._live: dict[str, tuple[StationView, float]] = {}
        """By reservoir: the newest view with a link to the controller, and its time, UTC seconds."""
        self._raised: dict[str, dict[str, int]] = {}
        """By reservoir and alarm: when it was raised, UTC milliseconds."""
        self._published: dict[str, tuple[str, float]] = {}
        """By reservoir: the last facts without their time, and when they were published."""
        self._token = TokenCheck(setup.token)
        self._records = Records(setup.log, setup.units)
        self._by_hand = ByHand(setup.log, setup.garden, setup.units)
        self._files = StaticFiles(directory=STATIC)
        self._filling_ms: dict[str, int] = {}
        """Since when each reservoir fills, in UTC milliseconds; only reservoirs that fill now."""
        self._ending: dict[str, asyncio.Task[None]] = {}
        self._reading_alarms: asyncio.Task[None] | None = None
        self._number = 0
        self._pending: dict[int, asyncio.Future[CommandResult]] = {}

    def app(self) -> ASGIApp:
        """Return the application with its security checks."""
        reservoir = "/api/reservoirs/{reservoir}"
        compressed = [Middleware(GZipMiddleware)]
        routes = [
            Route("/", self._index, middleware=compressed),
            Mount("/static", self._files, middleware=compressed),
            Route("/api/facts", self._all_facts),
            Route("/api/events", self._event_stream),
            Route(f"{reservoir}/history", self._history, middleware=compressed),
            Route(f"{reservoir}/history.csv", self._sheet, middleware=compressed),
            Route(f"{reservoir}/entries", self._entries, middleware=compressed),
            Route(f"{reservoir}/fills", self._fills),
            Route(f"{reservoir}/cartridges", self._cartridges, middleware=compressed),
            Route(f"{reservoir}/command", self._command, methods=["POST"]),
            Route(f"{reservoir}/sample", self._last_sample),
            Route(f"{reservoir}/take-back", self._take_back, methods=["POST"]),
            Route("/api/round", self._round, middleware=compressed),
            Route("/api/round/tick", self._tick, methods=["POST"]),
            Route("/api/round/untick", self._untick, methods=["POST"]),
            Route("/api/token", self._check_token, methods=["POST"]),
            Route("/manual/{topic}", self._manual, middleware=compressed),
            Route("/metrics", self._metrics),
            Route("/things/{reservoir}", self._thing),
            Route("/calendar.ics", self._calendar),
            Route("/manifest.webmanifest", self._manifest),
            Route("/worker.js", self._worker),
            Route("/favicon.ico", self._no_icon),
        ]
        app = Starlette(routes=routes, exception_handlers={HTTPException: _refuse, Exception: _report_fault})
        # Starlette would send a stranger's path back to it in a redirect; a wrong path is refused instead.
        app.router.redirect_slashes = False
        return SecurityMiddleware(app, (*self._setup.names, self._setup.host))

    # --- from the daemon ------------------------------------------------------------------------

    def show(self, view: StationView) -> None:
        """Send a view to every browser, if it shows anything new."""
        reservoir, units = view.identity.reservoir, self._setup.units
        wall_s = time.time()
        if view.link_up:
            self._live[reservoir] = view, wall_s
        self._watch_fill(view)
        self._watch_alarms(view, int(wall_s * 1000))
        self._views[reservoir] = view
        now = time.monotonic()
        timeless = self._timeless(view, wall_s)
        previous, at = self._published.get(reservoir, ("", now))
        if timeless == previous and now - at < QUIET_S:
            return
        self._published[reservoir] = timeless, now
        clock = units.local(wall_s).strftime("%H:%M:%S")
        facts = timeless.replace('"time":""', f'"time":"{clock}"', 1)
        self._facts[reservoir] = facts
        self.events.publish("facts", reservoir, facts)

    def _timeless(self, view: StationView, wall_s: float) -> str:
        """Return the facts and what the page shows beside them as one line of JSON, without the time."""
        reservoir, units = view.identity.reservoir, self._setup.units
        last, last_s = self._live.get(reservoir, (None, None))
        shown = shown_view(view, last)
        glance = glance_of(
            shown, self._fittings[reservoir], units, wall_s, last_s, self._raised.get(reservoir, {})
        )
        facts = as_json(facts_of(shown, units, ""))
        text = json.dumps(glance, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
        return f'{facts[:-1]},"glance":{text}}}'

    def _watch_alarms(self, view: StationView, now_ms: int) -> None:
        """Note when each alarm was raised: those of a page that has just started are in the log."""
        reservoir = view.identity.reservoir
        before, raised = self._views.get(reservoir), self._raised.get(reservoir, {})
        if before is None and view.alarms:
            self._reading_alarms = asyncio.create_task(self._read_raised(reservoir))
        self._raised[reservoir] = {
            one.alarm: raised.get(one.alarm, now_ms)
            for one in view.alarms
            if before is not None or one.alarm in raised
        }

    async def _read_raised(self, reservoir: str) -> None:
        with suppress(LogError):
            known = await self._records.raised_ms(reservoir)
            active = {one.alarm for one in self._views[reservoir].alarms}
            found = {name: at_ms for name, at_ms in known.items() if name in active}
            self._raised[reservoir] = found | self._raised.get(reservoir, {})

    def _watch_fill(self, view: StationView) -> None:
        reservoir = view.identity.reservoir
        if Phase(view.phase) in ACTIVE:
            self._filling_ms.setdefault(reservoir, int(time.time() * 1000) - LAG_MS)
            return
        since_ms = self._filling_ms.pop(reservoir, None)
        if since_ms is None:
            return
        before = self._ending.get(reservoir)
        if before is not None:
            before.cancel()
        self._ending[reservoir] = asyncio.create_task(self._announce_fill(view.identity, since_ms))

    async def _announce_fill(self, identity: StationIdentity, since_ms: int) -> None:
        """Wait until the log has the fill that just ended, then let browsers load the fills again."""
        if await self._records.fill_ended(identity, since_ms):
            self.events.publish("fills", identity.reservoir, json.dumps({"id": identity.reservoir}))

    def receive_result(self, result: CommandResult) -> None:
        """Take the result of a command from the daemon."""
        future = self._pending.pop(result.number, None)
        if future is not None and not future.done():
            future.set_result(result)

    # --- what is shown ----------------------------------------------------------------------------

    def _everything(self) -> str:
        setup, units = self._setup, self._setup.units
        head = {
            "bridge": {"id": setup.bridge_id, "name": setup.bridge_name, "version": setup.version},
            "units": {
                "volume": units.volume.value,
                "solids": units.solids.value,
                "temperature": units.temperature.value,
            },
            "can_act": self._token.is_set,
            "has_round": self._by_hand.has_round,
        }
        known = [self._facts[name] for name in self._identities if name in self._facts]
        text = json.dumps(head, ensure_ascii=False, separators=(",", ":"))
        return f'{text[:-1]},"reservoirs":[{",".join(known)}]}}'

    async def _index(self, request: Request) -> Response:
        return await self._files.get_response("index.html", request.scope)

    async def _worker(self, request: Request) -> Response:
        # A worker serves only pages below its own path, so it stands beside the page and not in /static.
        return await self._files.get_response("worker.js", request.scope)

    async def _manifest(self, request: Request) -> Response:
        icons = [
            {"src": f"/static/icons/drop-{size}.png", "sizes": f"{size}x{size}", "type": "image/png"}
            for size in (192, 512)
        ]
        manifest = {
            "name": f"{self._setup.bridge_name}: pure water",
            "short_name": self._setup.bridge_name,
            "start_url": "/",
            "display": "standalone",
            "background_color": "#f6f4ee",
            "theme_color": "#f6f4ee",
            "icons": icons,
        }
        return JSONResponse(manifest, media_type="application/manifest+json")

    async def _calendar(self, request: Request) -> Response:
        from bridge.web.calendar import Prospect, calendar_of

        now_s = time.time()
        prospects = []
        for reservoir, identity in self._identities.items():
            view = self._views.get(reservoir)
            overflow_ms, began_ms = None, None
            # Without the log the dates of the forecast are still right.
            with suppress(LogError):
                overflow_ms = (await self._records.raised_ms(reservoir)).get(Trip.OVERFLOW.value)
                began_ms = await self._records.began_ms()
            prospects.append(
                Prospect(
                    identity,
                    self._fittings[reservoir],
                    now_s,
                    None if view is None else view.days_left_low,
                    None if view is None else view.cover_low_days,
                    overflow_ms,
                    began_ms,
                    () if view is None or view.round_ahead is None else view.round_ahead,
                    None if view is None else view.round_flush_days,
                )
            )
        setup = self._setup
        calendar = calendar_of(prospects, setup.bridge_id, setup.bridge_name, setup.units, now_s)
        return Response(calendar, media_type="text/calendar")

    async def _manual(self, request: Request) -> Response:
        topic = str(request.path_params["topic"])
        pages = await asyncio.to_thread(manual_pages)
        if topic not in pages:
            return refusal(HTTPStatus.NOT_FOUND, f"There is no such page; there are: {', '.join(pages)}.")
        titles = {name: title_of(page) for name, page in pages.items()}
        return Response(html_of(topic, pages[topic], titles), media_type="text/html")

    async def _no_icon(self, request: Request) -> Response:
        return Response(status_code=HTTPStatus.NO_CONTENT)

    async def _all_facts(self, request: Request) -> Response:
        return Response(self._everything(), media_type="application/json")

    async def _event_stream(self, request: Request) -> Response | EventStream:
        if self.events.full:
            return refusal(HTTPStatus.SERVICE_UNAVAILABLE, "Too many browsers follow this page already.")
        return EventStream(self.events, self._everything)

    async def _history(self, request: Request) -> Response:
        return await from_log(self._records.course(self._identity(request), span_of(request)))

    async def _entries(self, request: Request) -> Response:
        named = request.query_params.get("kinds", ",".join(kind.value for kind in Filter))
        try:
            kinds = frozenset(Filter(name) for name in named.split(","))
        except ValueError:
            known = ", ".join(kind.value for kind in Filter)
            raise HTTPException(HTTPStatus.BAD_REQUEST, f"'kinds' may name {known}.") from None
        return await from_log(self._records.entries(self._identity(request), span_of(request), kinds))

    async def _sheet(self, request: Request) -> Response:
        identity, span = self._identity(request), span_of(request)
        try:
            text = await self._records.csv(identity, span)
        except LogError as error:
            return refusal(HTTPStatus.SERVICE_UNAVAILABLE, str(error))
        name = f"{identity.reservoir}-{self._setup.units.local(span.start_ms / 1000.0):%Y-%m-%d}.csv"
        return Response(
            text,
            media_type="text/csv",
            headers={"content-disposition": f'attachment; filename="{name}"'},
        )

    async def _fills(self, request: Request) -> Response:
        return await from_log(self._records.fills(self._identity(request)))

    async def _cartridges(self, request: Request) -> Response:
        return await from_log(self._records.cartridges(self._identity(request)))

    async def _metrics(self, request: Request) -> Response:
        from bridge.web.metrics import CONTENT_TYPE, exposition

        return Response(
            exposition(list(self._views.values()), self._setup.version),
            headers={"content-type": CONTENT_TYPE},
        )

    async def _thing(self, request: Request) -> Response:
        from bridge.mqtt.thing import MEDIA_TYPE, Access, thing_description

        identity, setup = self._identity(request), self._setup
        if setup.broker is None:
            return refusal(
                HTTPStatus.NOT_FOUND,
                "There is no description, because this bridge has no broker. The table [hub] of the "
                "configuration names one.",
            )
        layout = Layout(setup.bridge_id, setup.bridge_name, setup.prefix)
        description = thing_description(identity, layout, Access(*setup.broker), setup.version)
        return JSONResponse(description, media_type=MEDIA_TYPE)

    def _identity(self, request: Request) -> StationIdentity:
        identity = self._identities.get(request.path_params["reservoir"])
        if identity is None:
            raise HTTPException(HTTPStatus.NOT_FOUND, "There is no such reservoir here.")
        return identity

    async def _round(self, request: Request) -> Response:
        return await from_log(self._by_hand.round())

    async def _last_sample(self, request: Request) -> Response:
        return await from_log(self._by_hand.last_sample(self._identity(request)))

    # --- entries by hand ----------------------------------------------------------------------------

    async def _tick(self, request: Request) -> Response:
        return await self._entered(request, self._by_hand.tick)

    async def _untick(self, request: Request) -> Response:
        return await self._entered(request, self._by_hand.untick)

    async def _entered(self, request: Request, enter: Callable[[Tick], Awaitable[str]]) -> Response:
        if (refused := self._barred(request)) is not None:
            return refused
        tick = tick_in(object_in(await small_body(request)))
        return refusal(HTTPStatus.BAD_REQUEST, tick) if isinstance(tick, str) else await answered(enter(tick))

    async def _take_back(self, request: Request) -> Response:
        if (refused := self._barred(request)) is not None:
            return refused
        identity = self._identity(request)
        entered = (object_in(await small_body(request)) or {}).get("entered")
        if type(entered) is not int:
            return refusal(
                HTTPStatus.BAD_REQUEST,
                'The form is {"entered": 1767225600000}: the time of the sample as the page received it.',
            )
        return await answered(self._by_hand.take_back(identity, entered))

    # --- commands -----------------------------------------------------------------------------------

    def _unauthorized(self, request: Request) -> Response | None:
        address = "" if request.client is None else request.client.host
        return self._token.refused(request.headers.get("authorization"), address, time.monotonic())

    def _barred(self, request: Request) -> Response | None:
        """Return the refusal of a request that writes; None if it has the token. Its body must be JSON."""
        require_json(request)
        return self._unauthorized(request)

    async def _check_token(self, request: Request) -> Response:
        """Answer whether the token is right, so that a person learns it when entering it."""
        return self._unauthorized(request) or JSONResponse({"sentence": "The token is right."})

    async def _command(self, request: Request) -> Response:
        if (refused := self._barred(request)) is not None:
            return refused
        identity = self._identity(request)
        path, value, unit, key = command_in(await small_body(request))
        if len(self._pending) >= MOST_COMMANDS:
            return refusal(
                HTTPStatus.SERVICE_UNAVAILABLE, "Too many commands wait for the bridge; try again."
            )
        self._number += 1
        number = self._number
        future = self._pending[number] = asyncio.get_running_loop().create_future()
        expires_at = time.monotonic() + EXPIRES_S
        self._send(CommandRequest(number, identity.reservoir, path, value, unit, key, expires_at))
        try:
            async with asyncio.timeout(RESULT_S):
                result = await future
        except TimeoutError:
            return refusal(
                HTTPStatus.GATEWAY_TIMEOUT,
                f"The bridge has not answered for {RESULT_S:.0f} s. A command that it did not receive within "
                f"{EXPIRES_S:.0f} s is never carried out; the events of this reservoir show what was.",
            )
        at = self._setup.units.local(time.time()).strftime("%H:%M:%S")
        return JSONResponse({"sentence": result.sentence, "at": at}, _STATUS.get(result.status, 500))


async def _refuse(request: Request, error: Exception) -> Response:
    assert isinstance(error, HTTPException)
    headers = dict(error.headers or {})
    return refusal(error.status_code, error.detail, **headers)


async def _report_fault(request: Request, error: Exception) -> Response:
    return refusal(HTTPStatus.INTERNAL_SERVER_ERROR, "The page has a fault. The bridge's own log says more.")
