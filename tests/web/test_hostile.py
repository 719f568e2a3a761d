"""A hostile browser has no effect on the page or the guard."""

import asyncio
import contextlib
import json
import os
import socket
import sys
import time
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from pathlib import Path

import httpx
import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from bridge.daemon.page_lines import CommandRequest, CommandResult, Setup
from bridge.demo import RESERVOIR
from bridge.guard.commands import Reset, Retest
from bridge.guard.model import Flow, Phase
from bridge.mqtt.broker import Secret
from bridge.protocol.messages import Close
from bridge.station.view import StationView
from bridge.units import DisplayUnits
from bridge.web import app as app_module
from bridge.web import security as requests_module
from bridge.web import server as page_server
from bridge.web.app import Page
from bridge.web.security import MOST_ADDRESSES, WITHIN_S, TokenCheck
from bridge.web.server import Broadcaster, serve
from tests.board import answered
from tests.waiting import DEADLINE_S, until, within
from tests.web.conftest import IDENTITY, TOKEN, Alone, Begin, Site

CONNECTIONS = int(os.environ.get("CLEARWELL_CONNECTIONS", "10000" if os.environ.get("CI") else "1500"))
SCRIPT = "</script><script>alert(1)</script><img src=x onerror=alert(2)>\"'&\u2028"


def secure(headers: httpx.Headers) -> None:
    """Checks the headers that every response must have."""
    policy = dict(part.strip().split(" ", 1) for part in headers["content-security-policy"].split(";"))
    assert policy["default-src"] == "'self'"
    assert policy["frame-ancestors"] == "'none'"
    assert "unsafe" not in headers["content-security-policy"]
    assert headers["x-content-type-options"] == "nosniff"
    assert headers["referrer-policy"] == "no-referrer"
    assert not any(name.startswith("access-control") for name in headers)
    assert "server" not in headers


async def test_a_script_in_a_reservoirs_name_stays_data(begin: Begin) -> None:
    async with begin(name=SCRIPT) as site:
        await until(lambda: bool(site.events), "nothing happened")
        answer = await site.web.get("/api/facts")
        while not answer.json()["reservoirs"]:
            answer = await site.web.get("/api/facts")
        assert answer.headers["content-type"] == "application/json"
        assert answer.headers["cache-control"] == "no-store"
        assert answer.json()["reservoirs"][0]["name"] == SCRIPT
        for path in ("/", "/static/", "/metrics", f"/things/{SCRIPT}", f"/api/reservoirs/{SCRIPT}/history"):
            shown = await site.web.get(path)
            kind = shown.headers.get("content-type", "")
            assert SCRIPT not in shown.text or not kind.startswith("text/html")
        async with site.web.stream("GET", "/api/events") as stream:
            secure(stream.headers)
            said = b""
            async for piece in stream.aiter_raw():
                said += piece
                if b"\n\n" in said:
                    break
            # The lines of an event stream end with these bytes and no others.
            first, second, third = said.replace(b"\r", b"\n").split(b"\n")[:3]
            assert first == b"event: hello"
            assert json.loads(second.removeprefix(b"data: "))["reservoirs"][0]["name"] == SCRIPT
            assert third == b"", "a name must not begin a line of its own"


@pytest.mark.parametrize(
    ("method", "path", "status"),
    [
        ("GET", "/api/facts", 200),
        ("GET", "/nothing", 404),
        ("GET", "/static/../app.py", 404),
        ("GET", "/static/%2e%2e/app.py", 404),
        ("GET", "/static//etc/passwd", 404),
        ("GET", "/api/reservoirs/other/history", 404),
        ("GET", "/api/reservoirs/%2e%2e/fills", 404),
        ("GET", f"/api/reservoirs/{RESERVOIR}/history?from=5&until=4", 400),
        ("GET", f"/api/reservoirs/{RESERVOIR}/history?from=0&until=999999999999999", 400),
        ("GET", f"/api/reservoirs/{RESERVOIR}/history?from=١٢", 400),
        ("GET", f"/api/reservoirs/{RESERVOIR}/entries?kinds=nothing", 400),
        ("GET", f"/api/reservoirs/{RESERVOIR}/command", 405),
        ("OPTIONS", f"/api/reservoirs/{RESERVOIR}/command", 405),
        ("PUT", "/api/facts", 405),
        ("DELETE", "/", 405),
    ],
)
def test_every_response_has_security_headers_and_only_what_was_requested(
    alone: Alone, method: str, path: str, status: int
) -> None:
    answer = httpx.request(method, f"http://127.0.0.1:{alone.port}{path}", timeout=DEADLINE_S)
    assert answer.status_code == status
    secure(answer.headers)
    if status != 200:
        assert set(answer.json()) == {"sentence"}


def test_another_site_cannot_read_the_page(alone: Alone) -> None:
    def status(path: str, **headers: str) -> int:
        sent = {name.replace("_", "-"): value for name, value in headers.items()}
        return httpx.get(f"http://127.0.0.1:{alone.port}{path}", headers=sent, timeout=DEADLINE_S).status_code

    assert status("/api/facts", sec_fetch_site="cross-site") == 403
    assert status("/api/events", sec_fetch_site="cross-site", sec_fetch_mode="cors") == 403
    assert status("/metrics", origin="http://elsewhere.example") == 403
    assert status("/api/facts", host="elsewhere.example") == 421
    assert status("/api/facts", host="localhost.elsewhere.example") == 421
    assert status("/api/facts", host="127.0.0.1@elsewhere.example") == 421
    assert status("/api/facts", host="localhost:1") == 200
    assert status("/api/facts", host="[::1]:8375") == 200
    assert status("/", sec_fetch_site="cross-site", sec_fetch_mode="navigate") != 403
    assert status("/", sec_fetch_site="cross-site", sec_fetch_mode="no-cors") == 403


def test_a_file_is_compressed_and_checked_for_changes(alone: Alone) -> None:
    for path, kind in (
        ("/", "text/html"),
        ("/static/main.js", "text/javascript"),
        ("/static/page.css", "text/css"),
        ("/static/icons/suitable.svg", "image/svg+xml"),
    ):
        answer = httpx.get(f"http://127.0.0.1:{alone.port}{path}", timeout=DEADLINE_S)
        assert answer.status_code == 200
        secure(answer.headers)
        assert answer.headers["content-type"].startswith(
            (kind, kind.replace("text/java", "application/java"))
        )
        assert answer.headers["cache-control"] == "no-cache"
        assert (answer.headers.get("content-encoding") == "gzip") == (len(answer.content) >= 500)
        again = httpx.get(
            f"http://127.0.0.1:{alone.port}{path}",
            headers={"if-none-match": answer.headers["etag"]},
            timeout=DEADLINE_S,
        )
        assert (again.status_code, again.content) == (304, b"")
        secure(again.headers)


def test_the_manual_is_served_without_internet(alone: Alone) -> None:
    answer = httpx.get(f"http://127.0.0.1:{alone.port}/manual/faults")
    assert answer.status_code == 200
    secure(answer.headers)
    assert answer.headers["content-type"].startswith("text/html")
    assert '<tr id="probe-failure">' in answer.text
    assert "https://" not in answer.text.partition("<main>")[0]
    for other in ("none", "..%2fapp", "%00"):
        assert httpx.get(f"http://127.0.0.1:{alone.port}/manual/{other}").status_code == 404


def asked_raw(port: int, request: bytes) -> bytes:
    """Returns the response to these bytes, until the response is complete or the page disconnects."""
    with socket.create_connection(("127.0.0.1", port), DEADLINE_S) as one:
        try:
            one.sendall(request)
            one.shutdown(socket.SHUT_WR)
            said = b""
            while piece := one.recv(65536):
                said += piece
        except (ConnectionResetError, BrokenPipeError):
            return said if "said" in locals() else b""
        return said


_COMMAND = f"/api/reservoirs/{RESERVOIR}/command"
_PATHS = st.sampled_from(
    [
        "/",
        "/api/facts",
        _COMMAND,
        f"/api/reservoirs/{RESERVOIR}/history",
        "/metrics",
        "/static/",
        "*",
        "//",
        "/%",
    ]
) | st.text(st.characters(min_codepoint=33, max_codepoint=126), max_size=80)
_LINE = st.text(st.characters(min_codepoint=32, max_codepoint=255), max_size=60)
_NAMES = st.sampled_from(
    ["host", "origin", "authorization", "content-type", "content-length", "transfer-encoding", "expect",
     "connection", "upgrade", "sec-fetch-site", "if-none-match", "accept-encoding", "range"]
)  # fmt: skip
_REQUESTS = st.builds(
    lambda method, path, version, host, headers, body: (
        f"{method} {path} HTTP/{version}\r\n".encode("latin-1")
        + (f"host: {host}\r\n".encode() if host else b"")
        + b"".join(f"{name}: {value}\r\n".encode("latin-1", "replace") for name, value in headers)
        + (b"content-length: %d\r\n" % len(body) if body else b"")
        + b"\r\n"
        + body
    ),
    st.sampled_from(["GET", "HEAD", "POST", "PUT", "PATCH", "TRACE", "CONNECT", "get"]),
    _PATHS,
    st.sampled_from(["1.1", "1.1", "1.1", "1.0", "2.0", "9"]),
    st.sampled_from(["127.0.0.1", "127.0.0.1", "localhost", "elsewhere.example", ""]),
    st.lists(
        st.tuples(
            _NAMES, _LINE | st.sampled_from(["application/json", f"Bearer {TOKEN}", "chunked", "close"])
        ),
        max_size=5,
    ),
    st.binary(max_size=200)
    | st.sampled_from([b'{"property":1,"value":2}', b"[" * 200, b'{"property":"a","value":"b","c":1}']),
) | st.binary(max_size=300)


def _authorised(body: bytes) -> bytes:
    return (
        f"POST {_COMMAND} HTTP/1.1\r\nhost: 127.0.0.1\r\nauthorization: Bearer {TOKEN}\r\n"
        f"content-type: application/json\r\ncontent-length: {len(body)}\r\n\r\n"
    ).encode() + body


@settings(max_examples=1000, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(request=_REQUESTS)
@example(request=_authorised(b"[" * 2000))
@example(request=_authorised(b'{"property":"\\ud800","value":1}'))
@example(request=_authorised(b"\xff\xfe"))
@example(request=_authorised(b"x" * 5000))
@example(request=_authorised(b'{"property":"valve/hold","value":"' + b"1" * 300 + b'"}'))
def test_no_request_makes_the_page_fail(alone: Alone, request: bytes) -> None:
    said = asked_raw(alone.port, request)
    status = said.split(b" ", 2)[1] if said else b""
    assert not status.startswith(b"5"), said[:500]
    assert TOKEN.encode() not in said
    if b"POST" in request[:4]:
        assert status != b"200"


def test_a_giant_body_is_cut_off(alone: Alone) -> None:
    head = _authorised(b"").replace(b"content-length: 0", b"content-length: 100000000000")
    with socket.create_connection(("127.0.0.1", alone.port), DEADLINE_S) as one:
        one.sendall(head)
        sent = 0
        with contextlib.suppress(ConnectionResetError, BrokenPipeError):
            while sent < 50_000_000:
                sent += one.send(b"x" * 65536)
    assert sent < 50_000_000, "the page goes on reading"
    assert asked_raw(alone.port, _authorised(b"x" * 5000)).startswith(b"HTTP/1.1 413 ")
    assert httpx.get(f"http://127.0.0.1:{alone.port}/api/facts", timeout=DEADLINE_S).status_code == 200


def test_guesses_are_counted_by_network_and_forgotten_in_time() -> None:
    check = TokenCheck(Secret(TOKEN))

    def status(shown: str, address: str, now: float) -> int | None:
        refused = check.refused(f"Bearer {shown}", address, now)
        return None if refused is None else refused.status_code

    for guess in range(10):
        assert status(f"guess-{guess}", "2001:db8::1", 100.0) == 401
    assert status("guess", "2001:db8::ffff:1", 101.0) == 429, "the same network has many addresses"
    assert status(TOKEN, "2001:db8::1", 101.0) == 429
    assert status(TOKEN, "192.0.2.7", 101.0) is None, "others are not locked out"
    assert status(TOKEN, "2001:db8::1", 100.0 + WITHIN_S) is None
    for address in range(2 * MOST_ADDRESSES):
        status("guess", f"10.0.{address >> 8}.{address & 255}", 200.0)
    assert len(check._wrong) <= MOST_ADDRESSES, "strangers make the page remember ever more"


def test_a_slow_browser_gets_the_newest_facts_and_the_queue_is_bounded() -> None:
    events = Broadcaster()
    with events.joined() as slow:
        for number in range(10_000):
            events.publish("facts", "barrel", f'{{"n":{number}}}')
            events.publish("facts", "butt", f'{{"n":{-number}}}')
        due = events.due(slow)
        assert due.count(b"event: facts") == 2
        assert b'{"n":9999}' in due
        assert b'{"n":-9999}' in due
        assert events.due(slow) == b""


# --- time is bounded ------------------------------------------------------------------------------------


@asynccontextmanager
async def served(
    view: StationView, send: Callable[[CommandRequest], None] = lambda asked: None
) -> AsyncIterator[tuple[Page, int]]:
    """Serves the page in this process, so that its timeouts can be short."""
    setup = Setup(
        "tunnel", "The tunnel", "homie", "0", DisplayUnits(), "127.0.0.1", 0, (), Secret(TOKEN), None,
        (IDENTITY,),
    )  # fmt: skip
    page = Page(setup, send)
    page.show(view)
    with socket.create_server(("127.0.0.1", 0)) as listening:
        listening.setblocking(False)
        task = asyncio.create_task(serve(page.app(), listening))
        try:
            yield page, listening.getsockname()[1]
        finally:
            task.cancel()
            await asyncio.gather(task, return_exceptions=True)


async def _ends(reader: asyncio.StreamReader) -> bytes:
    """Reads until the connection ends, which must happen."""
    said = b""
    try:
        while piece := await within(reader.read(65536), "the connection never ends"):
            said += piece
    except ConnectionResetError:
        pass
    return said


async def test_a_slow_request_is_disconnected(view: StationView, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(page_server, "REQUEST_S", 0.3)
    monkeypatch.setattr(requests_module, "BODY_S", 0.1)
    whole = b"GET /api/facts HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n"
    async with served(view) as (_, port):

        async def dripping(first: bytes) -> bytes:
            reader, writer = await asyncio.open_connection("127.0.0.1", port)
            writer.write(first)

            async def drip() -> None:
                while True:
                    writer.write(b"x")
                    await asyncio.sleep(0.02)

            drops = asyncio.create_task(drip())
            try:
                return await _ends(reader)
            finally:
                drops.cancel()
                writer.close()

        half = b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\nX-Slow: "
        endless = b"GET /api/facts HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Length: 1000000\r\n\r\n"
        slow = _authorised(b"").replace(b"content-length: 0", b"content-length: 1000000")
        ends = await asyncio.gather(
            dripping(b""), dripping(half), dripping(whole + half), dripping(endless), dripping(slow)
        )
        assert ends[1] == b""
        assert ends[2].startswith(b"HTTP/1.1 200")
        assert ends[4].startswith((b"HTTP/1.1 408", b"HTTP/1.1 413"))
        reader, writer = await asyncio.open_connection("127.0.0.1", port)
        assert await _ends(reader) == b"", "a connection that asks nothing is held for ever"
        writer.close()


async def test_a_client_that_stops_reading_is_disconnected(
    view: StationView, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(page_server, "READING_S", 0.2)
    async with served(view) as (page, port):
        deaf = socket.socket()
        deaf.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        deaf.setblocking(False)
        loop = asyncio.get_running_loop()
        await loop.sock_connect(deaf, ("127.0.0.1", port))
        await loop.sock_sendall(deaf, b"GET /api/events HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n")
        await until(lambda: page.events.browsers == 1, "nobody listens")
        big = json.dumps("x" * 100_000)

        def gone() -> bool:
            page.events.publish("facts", "barrel", big)
            return not page.events.browsers

        await until(gone, "a browser that reads nothing is written to for ever")
        deaf.close()


async def test_requests_to_a_bridge_that_does_not_answer_are_bounded(
    view: StationView, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(app_module, "RESULT_S", 0.1)
    asked: list[CommandRequest] = []
    async with served(view, asked.append) as (page, port), httpx.AsyncClient(timeout=DEADLINE_S) as web:

        async def command() -> int:
            answer = await web.post(
                f"http://127.0.0.1:{port}{_COMMAND}",
                json={"property": "valve/hold", "value": "true"},
                headers={"authorization": f"Bearer {TOKEN}"},
            )
            return answer.status_code

        statuses = [await command() for _ in range(app_module.MOST_COMMANDS + 3)]
        assert statuses == [504] * app_module.MOST_COMMANDS + [503] * 3
        assert len(asked) == app_module.MOST_COMMANDS
        page.receive_result(CommandResult(asked[0].number, "done", "Done."))
        assert await command() == 504


# --- very many connections ------------------------------------------------------------------------------


class Trips:
    """The response times of the guard: from a bad frame's last byte to the close command on the wire."""

    def __init__(self, site: Site) -> None:
        self._site = site
        self.took_ms: list[float] = []

    async def one(self) -> None:
        site, board = self._site, self._site.board
        await site.filling()
        await answered(board, 20.0, Flow.TO_RESERVOIR)
        assert site.keeper.station.state.flow is Flow.TO_RESERVOIR
        began = time.perf_counter()
        sent = await answered(board, 2000.0, Flow.TO_RESERVOIR)
        self.took_ms.append(1000.0 * (time.perf_counter() - began))
        assert any(isinstance(one, Close) for one in sent), (
            "no close on the wire in the turn of the bad reading"
        )
        await until(lambda: site.keeper.station.state.phase is Phase.TRIPPED, "no trip")

        def reset() -> None:
            board.read(20.0)
            now = asyncio.get_running_loop().time()
            for command in (Retest(now, "test", 5.0), Reset(now, "test", None)):
                site.keeper.command(command)

        await until(lambda: not site.keeper.station.state.latches, "the trip stayed", meanwhile=reset)


def descriptors(process: int | None) -> int:
    return len(os.listdir(f"/proc/{process}/fd"))


@asynccontextmanager
async def flood(port: int, connections: int) -> AsyncIterator[None]:
    """Opens this many connections, and reopens each one that is closed."""
    program = str(Path(__file__).with_name("many.py"))
    attacker = await asyncio.create_subprocess_exec(
        sys.executable, program, str(port), str(connections),
        stdin=asyncio.subprocess.PIPE, stdout=asyncio.subprocess.PIPE,
    )  # fmt: skip
    assert attacker.stdin is not None
    assert attacker.stdout is not None
    try:
        assert await within(attacker.stdout.readline(), "the attacker opened too little") == b"open\n"
        yield
    finally:
        attacker.stdin.close()
        await attacker.wait()


async def test_very_many_connections_delay_neither_the_guard_nor_the_page(begin: Begin) -> None:
    async with begin() as site:
        page = site.daemon.page
        assert page is not None
        before, during = Trips(site), Trips(site)
        for _ in range(3):
            await before.one()
        own = descriptors(os.getpid())
        async with flood(int(site.url.rsplit(":", 1)[1]), CONNECTIONS):
            most = 0
            for _ in range(3):
                await during.one()
                most = max(most, descriptors(page.pid))
            assert descriptors(os.getpid()) <= own + 8, "the daemon itself holds what strangers opened"
        assert most <= page_server.MOST_CONNECTIONS + page_server.BACKLOG + page_server.MARGIN
        print(f"{CONNECTIONS} connections; ms to close before {before.took_ms}, during {during.took_ms}")
        assert page.opened is not None, "the page died of it"

        # The page answers once the strangers' connections are closed.
        async with asyncio.timeout(DEADLINE_S):
            answer = None
            while answer is None:
                with contextlib.suppress(httpx.TransportError):
                    answer = await site.web.get("/api/facts")
        assert answer.status_code == 200
