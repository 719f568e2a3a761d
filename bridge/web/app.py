"""The routes of the page."""

import asyncio
import json
import time
from collections.abc import Awaitable, Callable
from http import HTTPStatus
from pathlib import Path

from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.requests import ClientDisconnect, Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route
from starlette.types import ASGIApp

from bridge.daemon.page_lines import (
    LONGEST_PROPERTY,
    LONGEST_UNIT,
    LONGEST_VALUE,
    Answer,
    Asked,
    Setup,
)
from bridge.display.facts import as_json
from bridge.display.from_view import facts_of
from bridge.errors import LogError
from bridge.guard.model import Phase
from bridge.guard.rules import ACTIVE
from bridge.mqtt.topics import Layout
from bridge.station.plan import StationIdentity
from bridge.station.view import StationView
from bridge.web.events import EventStream, Feed
from bridge.web.files import FIRST, Files
from bridge.web.history import BusyError, Records
from bridge.web.security import Door, Guarded, refusal
from bridge.web.trend import MOST_HOURS

STATIC = Path(__file__).parent / "static"
LONGEST_BODY = 2048
"""Bytes; a command with its property is a quarter of it."""
BODY_S = 5.0
ANSWER_S = 5.0
TOO_LARGE = 413
"""Its name in the standard library differs between versions."""
MOST_COMMANDS = 8
"""On their way to the daemon at the same time."""
LAG_MS = 1000
"""A view may be so old when it comes here."""
QUIET_S = 5.0
"""Facts that stay the same are told this often, so that their time shows that they still hold."""

_LONGEST = {"property": LONGEST_PROPERTY, "value": LONGEST_VALUE, "unit": LONGEST_UNIT}
"""What a command may have, and how many characters of it."""

Send = Callable[[Asked], None]
_STATUS = {"done": HTTPStatus.OK, "refused": HTTPStatus.CONFLICT, "malformed": HTTPStatus.BAD_REQUEST}


class Page:
    """Everything behind the routes.

    :param send: hands a command to the daemon.
    """

    def __init__(self, setup: Setup, send: Send) -> None:
        self.feed = Feed()
        self._setup = setup
        self._send = send
        self._identities: dict[str, StationIdentity] = {one.reservoir: one for one in setup.reservoirs}
        self._views: dict[str, StationView] = {}
        self._facts: dict[str, str] = {}
        self._told: dict[str, tuple[str, float]] = {}
        self._door = Door(setup.token)
        self._records = Records(setup.log, setup.spill, setup.units)
        self._files = Files(STATIC)
        self._filling_ms: dict[str, int] = {}
        """Since when a fill is seen under way, in UTC, by reservoir; only while one is."""
        self._ending: dict[str, asyncio.Task[None]] = {}
        self._number = 0
        self._pending: dict[int, asyncio.Future[Answer]] = {}

    def app(self) -> ASGIApp:
        """The application, guarded."""
        reservoir = "/api/reservoirs/{reservoir}"
        routes = [
            Route("/", self._first),
            Route("/static/{name:path}", self._static),
            Route("/api/facts", self._all_facts),
            Route("/api/events", self._events),
            Route(f"{reservoir}/trend", self._trend),
            Route(f"{reservoir}/fills", self._fills),
            Route(f"{reservoir}/command", self._command, methods=["POST"]),
            Route("/metrics", self._metrics),
            Route("/things/{reservoir}", self._thing),
            Route("/favicon.ico", self._no_icon),
        ]
        app = Starlette(routes=routes, exception_handlers={HTTPException: _plainly, Exception: _sorry})
        # A path that is nearly right is wrong: no redirect is made from what a stranger asked for.
        app.router.redirect_slashes = False
        return Guarded(app, (*self._setup.names, self._setup.host))

    # --- from the daemon ------------------------------------------------------------------------

    def show(self, view: StationView) -> None:
        """Tell every browser of a view, if it shows anything new."""
        reservoir, units = view.identity.reservoir, self._setup.units
        self._views[reservoir] = view
        self._watch_fill(view)
        now = time.monotonic()
        timeless = as_json(facts_of(view, units, ""))
        told, at = self._told.get(reservoir, ("", now))
        if timeless == told and now - at < QUIET_S:
            return
        self._told[reservoir] = timeless, now
        clock = units.local(time.time()).strftime("%H:%M:%S")
        facts = timeless.replace('"time":""', f'"time":"{clock}"', 1)
        self._facts[reservoir] = facts
        self.feed.publish("facts", reservoir, facts)

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
        self._ending[reservoir] = asyncio.create_task(self._tell_fill(view.identity, since_ms))

    async def _tell_fill(self, identity: StationIdentity, since_ms: int) -> None:
        """Let browsers ask for the fills again once the one that has just ended is among them."""
        if await self._records.fill_ended(identity, since_ms):
            self.feed.publish("fills", identity.reservoir, json.dumps({"id": identity.reservoir}))

    def answered(self, answer: Answer) -> None:
        """What became of a command."""
        future = self._pending.pop(answer.number, None)
        if future is not None and not future.done():
            future.set_result(answer)

    # --- what is shown ----------------------------------------------------------------------------

    def _hello(self) -> str:
        setup, units = self._setup, self._setup.units
        head = {
            "bridge": {"id": setup.bridge_id, "name": setup.bridge_name, "version": setup.version},
            "units": {
                "volume": units.volume.value,
                "solids": units.solids.value,
                "temperature": units.temperature.value,
            },
            "can_act": self._door.opens,
        }
        known = [self._facts[name] for name in self._identities if name in self._facts]
        text = json.dumps(head, ensure_ascii=False, separators=(",", ":"))
        return f'{text[:-1]},"reservoirs":[{",".join(known)}]}}'

    async def _first(self, request: Request) -> Response:
        return self._files.answer(FIRST, request)

    async def _static(self, request: Request) -> Response:
        return self._files.answer(request.path_params["name"], request)

    async def _no_icon(self, request: Request) -> Response:
        return Response(status_code=HTTPStatus.NO_CONTENT)

    async def _all_facts(self, request: Request) -> Response:
        return Response(self._hello(), media_type="application/json")

    async def _events(self, request: Request) -> Response | EventStream:
        if self.feed.full:
            return refusal(HTTPStatus.SERVICE_UNAVAILABLE, "Too many browsers are listening already.")
        return EventStream(self.feed, self._hello)

    async def _trend(self, request: Request) -> Response:
        identity = self._named(request)
        asked = request.query_params.get("hours", "24")
        if not (asked.isascii() and asked.isdigit() and len(asked) <= 4 and 1 <= int(asked) <= MOST_HOURS):
            return refusal(HTTPStatus.BAD_REQUEST, f"'hours' must be a whole number from 1 to {MOST_HOURS}.")
        return await _from_log(self._records.trend(identity, int(asked)))

    async def _fills(self, request: Request) -> Response:
        return await _from_log(self._records.fills(self._named(request)))

    async def _metrics(self, request: Request) -> Response:
        from bridge.web.metrics import CONTENT_TYPE, exposition

        return Response(
            exposition(list(self._views.values()), self._setup.version),
            headers={"content-type": CONTENT_TYPE},
        )

    async def _thing(self, request: Request) -> Response:
        from bridge.mqtt.thing import MEDIA_TYPE, Access, thing_description

        identity, setup = self._named(request), self._setup
        if setup.broker is None:
            return refusal(
                HTTPStatus.NOT_FOUND,
                "There is no broker, and a reservoir is described by what is on one. The table [hub] of the "
                "configuration names it.",
            )
        layout = Layout(setup.bridge_id, setup.bridge_name, setup.prefix)
        description = thing_description(identity, layout, Access(*setup.broker), setup.version)
        return JSONResponse(description, media_type=MEDIA_TYPE)

    def _named(self, request: Request) -> StationIdentity:
        identity = self._identities.get(request.path_params["reservoir"])
        if identity is None:
            raise HTTPException(HTTPStatus.NOT_FOUND, "There is no such reservoir here.")
        return identity

    # --- what is done -----------------------------------------------------------------------------

    async def _command(self, request: Request) -> Response:
        if request.headers.get("content-type", "").partition(";")[0].strip().lower() != "application/json":
            return refusal(HTTPStatus.UNSUPPORTED_MEDIA_TYPE, "A command is sent as application/json.")
        address = "" if request.client is None else request.client.host
        shown = request.headers.get("authorization")
        closed = self._door.refused(shown, address, time.monotonic())
        if closed is not None:
            return closed
        identity = self._named(request)
        path, value, unit = _command_in(await _body(request))
        if len(self._pending) >= MOST_COMMANDS:
            return refusal(
                HTTPStatus.SERVICE_UNAVAILABLE, "Too many commands wait for the bridge; try again."
            )
        self._number += 1
        number = self._number
        future = self._pending[number] = asyncio.get_running_loop().create_future()
        self._send(Asked(number, identity.reservoir, path, value, unit))
        try:
            async with asyncio.timeout(ANSWER_S):
                answer = await future
        except TimeoutError:
            return refusal(
                HTTPStatus.GATEWAY_TIMEOUT,
                "The bridge did not answer in time. Look whether the command was carried out before you "
                "send it again.",
            )
        return JSONResponse({"sentence": answer.sentence}, _STATUS.get(answer.status, 500))


async def _from_log(read: Awaitable[object]) -> Response:
    try:
        return JSONResponse(await read)
    except BusyError as error:
        return refusal(HTTPStatus.SERVICE_UNAVAILABLE, str(error), **{"retry-after": "2"})
    except LogError as error:
        return refusal(HTTPStatus.SERVICE_UNAVAILABLE, str(error))


async def _body(request: Request) -> bytes:
    """The body, which must be small and come soon.

    :raises HTTPException: it is neither.
    """
    body = b""
    try:
        async with asyncio.timeout(BODY_S):
            async for piece in request.stream():
                body += piece
                if len(body) > LONGEST_BODY:
                    raise HTTPException(TOO_LARGE, f"A command has at most {LONGEST_BODY} bytes.")
    except TimeoutError:
        raise HTTPException(HTTPStatus.REQUEST_TIMEOUT, "The command did not arrive in time.") from None
    except ClientDisconnect:
        raise HTTPException(HTTPStatus.BAD_REQUEST, "The command did not arrive whole.") from None
    return body


def _command_in(body: bytes) -> tuple[str, str, str]:
    """Property, value and unit of a command; whether they mean anything is for the daemon to say.

    :raises HTTPException: they are not there.
    """
    try:
        said = json.loads(body)
    except (ValueError, RecursionError):
        said = None
    if isinstance(said, dict) and said.keys() <= _LONGEST.keys():
        read = {"unit": "", **said}
        if all(
            isinstance(read.get(name), str) and len(read[name]) <= most for name, most in _LONGEST.items()
        ):
            return read["property"], read["value"], read["unit"]
    raise HTTPException(
        HTTPStatus.BAD_REQUEST,
        'A command has the form {"property": "valve/hold", "value": "true"}, with two texts of at most '
        f'{LONGEST_PROPERTY} and {LONGEST_VALUE} characters, and for a measurement "unit" may say its unit.',
    )


async def _plainly(request: Request, error: Exception) -> Response:
    assert isinstance(error, HTTPException)
    headers = dict(error.headers or {})
    return refusal(error.status_code, error.detail, **headers)


async def _sorry(request: Request, error: Exception) -> Response:
    return refusal(HTTPStatus.INTERNAL_SERVER_ERROR, "The page has a fault. The bridge's own log says more.")
