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
from collections import OrderedDict
from collections.abc import Iterable
from contextlib import suppress
from http import HTTPStatus

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import JSONResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from bridge.mqtt.broker import Secret

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
