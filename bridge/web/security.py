"""What a hostile browser meets: who may ask, who may act, how much, and how long.

- *Host*: only names that are this page's own are answered, so that a foreign site whose name was made to
  point here (DNS rebinding) reaches nothing.
- *Origin* and *Sec-Fetch-Site* (Fetch Standard; W3C Fetch Metadata Request Headers): a browser says with
  every request which site asked for it. Another site may send people here, and nothing else.
- *Token*: who acts shows it in a header, which no foreign page and no form can send. It is compared in
  constant time, and wrong ones are counted.
- Every answer carries headers that forbid scripts, frames and requests from or to anywhere else.
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
WRONG_TRIES = 10
"""So many wrong tokens from one address..."""
WITHIN_S = 60.0
"""...within this time, and no more are looked at until it is over."""
MOST_ADDRESSES = 1024
_TOO_MUCH = frozenset({HTTPStatus.REQUEST_TIMEOUT, 413})
"""Refused for being slow or long: of those nothing more is read."""
LINGER_S = 0.5
MOST_PIECES = 16
"""So long, and so many pieces, of a refused request are still read."""
_OWN = frozenset({"same-origin", "none"})
_LOOPBACK_NAMES = frozenset({"localhost", "127.0.0.1", "::1"})


def refusal(status: int, sentence: str, **headers: str) -> JSONResponse:
    """An answer that refuses, with a sentence for people."""
    return JSONResponse({"sentence": sentence}, status, headers)


class Guarded:
    """The application behind its checks of where a request comes from."""

    def __init__(self, app: ASGIApp, own_names: Iterable[str]) -> None:
        self._app = app
        self._names = _LOOPBACK_NAMES | {name.lower() for name in own_names}

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            return

        complete = scope["method"] in ("GET", "HEAD")

        async def receive_noted() -> Message:
            nonlocal complete
            message = await receive()
            complete = message["type"] != "http.request" or not message.get("more_body", False)
            return message

        async def rest_read() -> None:
            with suppress(TimeoutError):
                async with asyncio.timeout(LINGER_S):
                    for _ in range(MOST_PIECES):
                        if complete:
                            return
                        await receive_noted()

        async def send_guarded(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                headers.update(SECURITY_HEADERS)
                headers.setdefault("cache-control", NO_STORE)
                if message["status"] >= HTTPStatus.BAD_REQUEST:
                    # What the rest of a refused request holds is nobody's concern. But a connection that is
                    # closed over unread bytes is reset, and its browser may never see the sentence.
                    headers["connection"] = "close"
                    if message["status"] not in _TOO_MUCH:
                        await rest_read()
            await send(message)

        refused = self._refused(scope)
        await (self._app if refused is None else refused)(scope, receive_noted, send_guarded)

    def _refused(self, scope: Scope) -> JSONResponse | None:
        headers = Headers(scope=scope)
        hosts = headers.getlist("host")
        if len(hosts) != 1 or not self._is_own(hosts[0], scope):
            return refusal(
                HTTPStatus.MISDIRECTED_REQUEST,
                "This page does not go by that name. Use the machine's address, or add the name to 'names' "
                "in the table [page] of the configuration.",
            )
        if not _from_here(scope, headers, hosts[0]):
            return refusal(HTTPStatus.FORBIDDEN, "Another site sent this request, and may not.")
        return None

    def _is_own(self, host: str, scope: Scope) -> bool:
        name = host_of(host)
        server = scope.get("server")
        # The address that the connection came in by is ours, whatever the configuration calls it.
        return name in self._names or (server is not None and name == server[0])


def host_of(header: str) -> str:
    """The name in a Host header, without the port and without the brackets of an IPv6 address."""
    if header.startswith("["):
        return header[1:].partition("]")[0].lower()
    return header.partition(":")[0].lower().rstrip(".")


def _from_here(scope: Scope, headers: Headers, host: str) -> bool:
    reading = scope["method"] in ("GET", "HEAD")
    site = headers.get("sec-fetch-site")
    if site is not None and site not in _OWN:
        # A link on another site may lead people to the page itself.
        return reading and scope["path"] == "/" and headers.get("sec-fetch-mode") == "navigate"
    origin = headers.get("origin")
    return origin is None or origin.lower() in (f"http://{host.lower()}", f"https://{host.lower()}")


class Door:
    """Who may act.

    :param token: None: nobody.
    """

    def __init__(self, token: Secret | None) -> None:
        self._token = token
        self._wrong: OrderedDict[str, tuple[float, int]] = OrderedDict()

    @property
    def opens(self) -> bool:
        """Anybody at all may act."""
        return self._token is not None

    def refused(self, authorization: str | None, address: str, now: float) -> JSONResponse | None:
        """Why a request may not act; None when it may.

        :param authorization: the header, ``Bearer TOKEN`` (RFC 6750, section 2.1).
        :param now: monotonic seconds.
        """
        if self._token is None:
            return refusal(
                HTTPStatus.FORBIDDEN,
                "This page only shows, because no token is set. Give CLEARWELL_PAGE__TOKEN in the bridge's "
                "environment, or a file page_token among its secrets.",
            )
        whose = _network(address)
        since, count = self._wrong.get(whose, (now, 0))
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
            return _asks("Acting needs the token.")
        scheme, _, shown = authorization.partition(" ")
        if scheme.lower() == "bearer" and hmac.compare_digest(
            shown.strip().encode(), self._token.reveal().encode()
        ):
            self._wrong.pop(whose, None)
            return None
        self._wrong[whose] = since, count + 1
        self._wrong.move_to_end(whose)
        if len(self._wrong) > MOST_ADDRESSES:
            self._wrong.popitem(last=False)
        return _asks("That is not the token.")


def _asks(sentence: str) -> JSONResponse:
    return refusal(HTTPStatus.UNAUTHORIZED, sentence, **{"www-authenticate": 'Bearer realm="page"'})


def _network(address: str) -> str:
    """Whoever has one address of IPv6 has the 2⁶⁴ beside it (RFC 4291, section 2.5.4)."""
    try:
        one = ipaddress.ip_address(address.partition("%")[0])
    except ValueError:
        return address
    return str(ipaddress.ip_network((one, 64), strict=False)) if one.version == 6 else address
