"""Protection of the page against hostile browsers and sites.

- *Host*: the page serves only its own names, so that a foreign site whose name points to this address (DNS
  rebinding) gets nothing.
- *Origin* and *Sec-Fetch-Site* (Fetch Standard; W3C Fetch Metadata Request Headers): a browser names the
  site that caused a request. Another site may link to the page and do nothing else.
- *Token*: a command carries it in a header, which no foreign page and no form can send. It is compared in
  constant time, and wrong tokens are counted.
- Every response carries headers that forbid scripts, frames and requests from or to any other site.
"""

import asyncio
import hmac
import ipaddress
import json
import time
from collections import OrderedDict
from collections.abc import Awaitable, Iterable
from contextlib import suppress
from http import HTTPStatus
from typing import Any

from starlette.datastructures import Headers, MutableHeaders
from starlette.exceptions import HTTPException
from starlette.requests import ClientDisconnect, Request
from starlette.responses import JSONResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from bridge.daemon.page_lines import LONGEST_KEY, LONGEST_PROPERTY, LONGEST_UNIT, LONGEST_VALUE
from bridge.errors import InputError, LogError
from bridge.history.rollup import DAY_MS
from bridge.mqtt.broker import Secret
from bridge.web.course import LONGEST_MS, SHORTEST_MS, Span
from bridge.web.history import BusyError

SECURITY_HEADERS = {
    "content-security-policy": (
        "default-src 'self'; base-uri 'none'; object-src 'none'; form-action 'self'; frame-ancestors 'none'"
    ),
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
    "referrer-policy": "no-referrer",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(), geolocation=(), microphone=()",
}
NO_STORE = "no-store"
ALWAYS_ASK = "no-cache"
"""The browser keeps a file, and asks each time whether its tag is still valid."""
WRONG_TRIES = 10
"""After this many wrong tokens from one address within `WITHIN_S`, its tokens are refused unread."""
WITHIN_S = 60.0
MOST_ADDRESSES = 1024
_TOO_MUCH = frozenset({HTTPStatus.REQUEST_TIMEOUT, 413})
"""Statuses of requests that were too slow or too long. The rest of such a request is not read."""
LINGER_S = 0.5
"""How long the rest of a refused request is read."""
MOST_PIECES = 16
"""How many pieces of the rest are read."""
_OWN = frozenset({"same-origin", "none"})
_LOOPBACK_NAMES = frozenset({"localhost", "127.0.0.1", "::1"})


def refusal(status: int, sentence: str, **headers: str) -> JSONResponse:
    """Make a response that refuses, with a sentence for people.

    Args:
        status: the HTTP status.
        sentence: what is wrong, and what would be right.
        headers: more headers of the response.
    """
    return JSONResponse({"sentence": sentence}, status, headers)


class SecurityMiddleware:
    """Checks where each request comes from, and adds the security headers to each response.

    Starlette's own host check knows neither the address by which a connection came in nor the status 421.

    Args:
        app: the application behind it.
        own_names: the page's names beside those of the loopback interface.
    """

    def __init__(self, app: ASGIApp, own_names: Iterable[str]) -> None:
        self._app = app
        self._names = _LOOPBACK_NAMES | {name.lower() for name in own_names}

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Handle a request as an ASGI application."""
        if scope["type"] != "http":
            return

        complete = scope["method"] in ("GET", "HEAD")

        async def receive_counted() -> Message:
            nonlocal complete
            message = await receive()
            complete = message["type"] != "http.request" or not message.get("more_body", False)
            return message

        async def read_rest() -> None:
            with suppress(TimeoutError):
                async with asyncio.timeout(LINGER_S):
                    for _ in range(MOST_PIECES):
                        if complete:
                            return
                        await receive_counted()

        async def send_secured(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                headers.update(SECURITY_HEADERS)
                headers.setdefault("cache-control", ALWAYS_ASK if "etag" in headers else NO_STORE)
                if message["status"] >= HTTPStatus.BAD_REQUEST:
                    # A connection that is closed with unread bytes is reset, and then the browser may not
                    # show the sentence. So the rest of a refused request is read and dropped.
                    headers["connection"] = "close"
                    if message["status"] not in _TOO_MUCH:
                        await read_rest()
            await send(message)

        refused = self._refused(scope)
        await (self._app if refused is None else refused)(scope, receive_counted, send_secured)

    def _refused(self, scope: Scope) -> JSONResponse | None:
        headers = Headers(scope=scope)
        hosts = headers.getlist("host")
        if len(hosts) != 1 or not self._is_own(hosts[0], scope):
            return refusal(
                HTTPStatus.MISDIRECTED_REQUEST,
                "This page does not have that name. Use the machine's address, or add the name to 'names' "
                "in the table [page] of the configuration.",
            )
        if not _from_here(scope, headers, hosts[0]):
            return refusal(HTTPStatus.FORBIDDEN, "The request was refused because another site caused it.")
        return None

    def _is_own(self, host: str, scope: Scope) -> bool:
        name = host_of(host)
        server = scope.get("server")
        # The address by which the connection came in is ours, even if the configuration does not name it.
        return name in self._names or (server is not None and name == server[0])


def host_of(header: str) -> str:
    """Return the name in a Host header, without the port and without the brackets of an IPv6 address."""
    if header.startswith("["):
        return header[1:].partition("]")[0].lower()
    return header.partition(":")[0].lower().rstrip(".")


def _from_here(scope: Scope, headers: Headers, host: str) -> bool:
    reading = scope["method"] in ("GET", "HEAD")
    site = headers.get("sec-fetch-site")
    if site is not None and site not in _OWN:
        # Another site may link to the page itself.
        return reading and scope["path"] == "/" and headers.get("sec-fetch-mode") == "navigate"
    origin = headers.get("origin")
    return origin is None or origin.lower() in (f"http://{host.lower()}", f"https://{host.lower()}")


class TokenCheck:
    """Decides whether a request may give a command.

    Args:
        token: the right token; None if nobody may give commands.
    """

    def __init__(self, token: Secret | None) -> None:
        self._token = token
        self._wrong: OrderedDict[str, tuple[float, int]] = OrderedDict()

    @property
    def is_set(self) -> bool:
        """Whether there is a token, so that anybody may give commands at all."""
        return self._token is not None

    def refused(self, authorization: str | None, address: str, now: float) -> JSONResponse | None:
        """Check a request's token.

        Args:
            authorization: the header, ``Bearer TOKEN`` (RFC 6750, section 2.1).
            address: the client's address.
            now: monotonic seconds.

        Returns:
            None if the request may give a command, else the response that refuses it.
        """
        if self._token is None:
            return refusal(
                HTTPStatus.FORBIDDEN,
                "This page takes no commands because no token is set. Set CLEARWELL_PAGE__TOKEN in the "
                "bridge's environment, or add a file page_token to its secrets.",
            )
        network = _network(address)
        since, count = self._wrong.get(network, (now, 0))
        if now - since >= WITHIN_S:
            since, count = now, 0
        if count >= WRONG_TRIES:
            wait_s = max(1, round(WITHIN_S - (now - since)))
            return refusal(
                HTTPStatus.TOO_MANY_REQUESTS,
                f"Too many wrong tokens came from this address. Try again in {wait_s} s.",
                **{"retry-after": str(wait_s)},
            )
        if not authorization:
            return _unauthorized("A command needs the token.")
        scheme, _, token = authorization.partition(" ")
        if scheme.lower() == "bearer" and hmac.compare_digest(
            token.strip().encode(), self._token.reveal().encode()
        ):
            self._wrong.pop(network, None)
            return None
        self._wrong[network] = since, count + 1
        self._wrong.move_to_end(network)
        if len(self._wrong) > MOST_ADDRESSES:
            self._wrong.popitem(last=False)
        return _unauthorized("The token is wrong.")


def _unauthorized(sentence: str) -> JSONResponse:
    return refusal(HTTPStatus.UNAUTHORIZED, sentence, **{"www-authenticate": 'Bearer realm="page"'})


def _network(address: str) -> str:
    """Return what counts as one address: in IPv6 one host has a whole /64 (RFC 4291, section 2.5.4)."""
    try:
        one = ipaddress.ip_address(address.partition("%")[0])
    except ValueError:
        return address
    return str(ipaddress.ip_network((one, 64), strict=False)) if one.version == 6 else address


LONGEST_BODY = 2048
"""Bytes; a command with its property is a quarter of it."""
BODY_S = 5.0
TOO_LARGE = 413
"""A number, because its name in the standard library differs between versions."""
_LONGEST = {
    "property": LONGEST_PROPERTY, "value": LONGEST_VALUE, "unit": LONGEST_UNIT, "key": LONGEST_KEY,
}  # fmt: skip
"""The keys of a command, and the greatest number of characters of each."""


def span_of(request: Request) -> Span:
    """Return the span that a request names; without one the last day.

    Raises:
        HTTPException: it is not two times in order.
    """
    now_ms = int(time.time() * 1000)
    given = request.query_params
    end, start = given.get("until", str(now_ms)), given.get("from", str(now_ms - DAY_MS))
    if all(text.isascii() and text.isdigit() and len(text) <= 14 for text in (start, end)):
        span = Span(int(start), min(int(end), now_ms))
        if SHORTEST_MS <= span.length_ms <= LONGEST_MS:
            return span
    raise HTTPException(
        HTTPStatus.BAD_REQUEST,
        "'from' and 'until' are milliseconds since 1970 in UTC, from ten minutes to ten years apart.",
    )


async def from_log(read: Awaitable[object]) -> Response:
    """Return as JSON what was read from the log, or the sentence that says why it cannot be read."""
    try:
        return JSONResponse(await read)
    except BusyError as error:
        return refusal(HTTPStatus.SERVICE_UNAVAILABLE, str(error), **{"retry-after": "2"})
    except LogError as error:
        return refusal(HTTPStatus.SERVICE_UNAVAILABLE, str(error))


async def answered(entering: Awaitable[str]) -> Response:
    """Return the sentence of an entry, or the one that says why there is none."""
    try:
        return JSONResponse({"sentence": await entering})
    except InputError as error:
        return refusal(HTTPStatus.CONFLICT, f"{str(error)[:1].upper()}{str(error)[1:]}.")
    except LogError as error:
        return refusal(HTTPStatus.SERVICE_UNAVAILABLE, str(error))


def require_json(request: Request) -> None:
    """Check the type of the body, which no form of a foreign site can send.

    Raises:
        HTTPException: it is not JSON.
    """
    if request.headers.get("content-type", "").partition(";")[0].strip().lower() != "application/json":
        raise HTTPException(HTTPStatus.UNSUPPORTED_MEDIA_TYPE, "Send a command as application/json.")


async def small_body(request: Request) -> bytes:
    """Read the body, which must be small and arrive soon.

    Raises:
        HTTPException: it is too long or too slow.
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
        raise HTTPException(HTTPStatus.BAD_REQUEST, "The command arrived incomplete.") from None
    return body


def object_in(body: bytes) -> dict[str, Any] | None:
    """Return the JSON object of a body; None if it is none."""
    try:
        parsed = json.loads(body)
    except (ValueError, RecursionError):
        return None
    return parsed if isinstance(parsed, dict) else None


def command_in(body: bytes) -> tuple[str, str, str, str]:
    """Return property, value, unit and key of a command. The daemon checks what they mean.

    Raises:
        HTTPException: the body has another form.
    """
    parsed = object_in(body)
    if parsed is not None and parsed.keys() <= _LONGEST.keys():
        command = {"unit": "", "key": "", **parsed}
        if all(
            isinstance(command.get(name), str) and len(command[name]) <= most
            for name, most in _LONGEST.items()
        ):
            return command["property"], command["value"], command["unit"], command["key"]
    raise HTTPException(
        HTTPStatus.BAD_REQUEST,
        'A command has the form {"property": "valve/hold", "value": "true"}, with two texts of at most '
        f'{LONGEST_PROPERTY} and {LONGEST_VALUE} characters. A measurement may name its unit in "unit". '
        'A text in "key" is the same whenever this command is sent again, so that it is carried out once.',
    )
