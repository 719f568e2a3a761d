"""The page shows the current state at once, and the guard checks its commands."""

import asyncio
import os
import signal
import socket
import sys
from dataclasses import replace
from pathlib import Path

import pytest

from bridge import __version__
from bridge.config.plan import HubPlan, LogPlan
from bridge.daemon.page_lines import CommandRequest, CommandResult
from bridge.demo import RESERVOIR
from bridge.guard.commands import (
    Acknowledge,
    CartridgeChanged,
    Hold,
    ReservoirSample,
    Reset,
    Retest,
    Shelve,
    StartFill,
)
from bridge.guard.model import Advisory, Flow, Permissive, Phase, Trip
from bridge.history.waiting import LogSettings
from bridge.mqtt.broker import BrokerSettings, Secret
from bridge.protocol.messages import Close
from bridge.units import DisplayUnits, SolidsUnit
from tests.board import answered
from tests.brokers import free_port
from tests.running import run
from tests.waiting import until
from tests.web.conftest import LAYOUT, TOKEN, Begin, Site, listening

COMMANDS = {
    "valve/hold": ("true", Hold),
    "fill/start": ("start", StartFill),
    "product/retest": ("12.5", Retest),
    "reservoir/sample": ("9", ReservoirSample),
    "purifier/cartridge-changed": ("changed", CartridgeChanged),
    "health/acknowledge": ("all", Acknowledge),
    "health/reset": ("product-over-limit", Reset),
    "health/shelve": ('{"alarm":"reservoir-low","minutes":30}', Shelve),
}
"""Every command, with a valid value."""


async def test_every_fact_changes_live_without_a_hub_and_without_a_log(begin: Begin) -> None:
    async with begin() as site, listening(site) as events:
        assert events.hello["bridge"] == {"id": "tunnel", "name": "The tunnel", "version": __version__}
        assert events.hello["can_act"] is True
        site.board.read(20.0)
        shown = await events.until(lambda r: r["product"]["number"] is not None, "no product was shown")
        assert shown["link"]
        assert shown["use"]["verdict"] == "suitable"
        assert shown["reservoir"]["volume"].endswith(" L")
        assert len(shown["valve"]["permissives"]) == len(Permissive)
        await site.filling()
        shown = await events.until(
            lambda r: r["valve"]["phase"] == "fill" and r["valve"]["state"] == "fill", "no fill"
        )
        assert shown["valve"]["why"].startswith("Open")
        assert all(one["holds"] for one in shown["valve"]["permissives"])
        site.board.read(2000.0, Flow.TO_RESERVOIR)
        shown = await events.until(lambda r: r["valve"]["first_out"] is not None, "no trip was shown")
        assert shown["valve"]["first_out"]["id"] == "product-over-limit"
        assert shown["valve"]["decided"] == "shut"
        assert "over its limit" in shown["valve"]["why"]
        assert shown["use"]["verdict"] == "unsuitable"
        assert shown["use"]["word"] == "No"
        assert [one["id"] for one in shown["valve"]["trips"]] == ["product-over-limit"]
        assert {one["id"] for one in shown["valve"]["permissives"] if not one["holds"]} >= {"no-trip"}
        assert shown["alarms"][0]["is_trip"]
        assert shown["alarms"][0]["state_words"]
        facts = (await site.web.get("/api/facts")).json()
        assert facts["reservoirs"][0]["valve"]["first_out"]["id"] == "product-over-limit"
        course = (await site.web.get(f"/api/reservoirs/{RESERVOIR}/history")).json()
        assert course["times"] == []
        assert course["sentence"].startswith("There is no log")
        assert (await site.web.get(f"/api/reservoirs/{RESERVOIR}/fills")).json() == []
        metrics = await site.web.get("/metrics")
        assert metrics.headers["content-type"].startswith("application/openmetrics-text")
        assert b"# EOF" in metrics.content
        assert (await site.web.get(f"/things/{RESERVOIR}")).status_code == 404


async def test_each_command_arrives_whole_and_the_guards_answer_comes_back(begin: Begin) -> None:
    async with begin() as site:
        await site.filling()
        site.board.read(2000.0, Flow.TO_RESERVOIR)
        await until(lambda: site.keeper.station.state.phase is Phase.TRIPPED, "no trip")

        async def sent(path: str, value: str, status: int) -> str:
            answer = await site.command(path, value)
            assert answer.status_code == status, answer.text
            return str(answer.json()["sentence"])

        # The guard's refusals come back as its own sentences ...
        assert "retest" in await sent("health/reset", "product-over-limit", 409)
        assert "No fill can start" in await sent("fill/start", "start", 409)
        # ... and accepted commands are carried out.
        site.board.read(20.0)
        await sent("health/acknowledge", "all", 200)
        await sent("purifier/cartridge-changed", "changed", 200)
        await sent("product/retest", "12.5", 200)
        await sent("health/reset", "product-over-limit", 200)
        await sent("health/shelve", '{"alarm":"reservoir-low","minutes":30}', 200)
        await sent("reservoir/sample", "9", 200)
        await sent("valve/hold", "true", 200)
        assert site.keeper.station.state.hold
        await sent("valve/hold", "false", 200)
        kinds = {type(command) for command in site.commands}
        assert kinds == {kind for _, kind in COMMANDS.values()}
        assert {command.sender for command in site.commands} == {"page"}
        assert site.commands[0] == Reset(site.commands[0].received_at, "page", Trip.PRODUCT_OVER_LIMIT)
        shelved = next(one for one in site.commands if isinstance(one, Shelve))
        assert (shelved.alarm, shelved.minutes) == (Advisory.RESERVOIR_LOW, 30.0)
        # An invalid command never reaches the guard.
        before = len(site.commands)
        for path, value in (
            ("valve/open", "true"), ("valve/hold", "yes"), ("valve/hold", "\ud800"), ("../x", "1"),
            ("health/reset", "everything"), ("fill/start", ""), ("product/retest", "nan"), ("a/b/c/set", "1"),
        ):  # fmt: skip
            assert await sent(path, value, 400)
        assert len(site.commands) == before


async def test_a_measurement_by_hand_is_in_the_unit_of_the_form(begin: Begin) -> None:
    async with begin(display=DisplayUnits(solids=SolidsUnit.US_CM)) as site, listening(site) as events:
        site.board.read(20.0)
        shown = await events.until(lambda r: r["product"]["number"] is not None, "no product was shown")
        assert (shown["product"]["unit"], shown["product"]["scale"]) == ("µS/cm", "at 25 °C")
        factor = site.keeper.station.plan.identity.factor
        for unit, value in (("µS/cm", "25"), ("ppm", f"{25 * factor:g}"), (None, f"{25 * factor:g}")):
            assert (await site.command("product/retest", value, unit)).status_code == 200
        assert (await site.command("reservoir/sample", "25", "µS/cm")).status_code == 200
        measured_ppm = [one.ppm for one in site.commands if isinstance(one, Retest | ReservoirSample)]
        assert measured_ppm == [25.0 * factor] * 4
        before = len(site.commands)
        for path, value, unit, said in (
            ("product/retest", "nan", "µS/cm", "is not a number of µS/cm from 0 to 20000"),
            ("product/retest", "-1", "µS/cm", "is not a number of µS/cm"),
            ("reservoir/sample", "20001", "µS/cm", "is not a number of µS/cm"),
            ("reservoir/sample", "12,5", "µS/cm", "with a point before the decimals"),
            ("reservoir/sample", "12", "grains", "is not set in 'grains'"),
            ("valve/hold", "true", "µS/cm", "is not set in"),
            ("valve/hold", "true", "ppm", "is not set in 'ppm'"),
            ("valve/hold", "true", "a unit that is much too long", "has the form"),
        ):
            answer = await site.command(path, value, unit)
            assert answer.status_code == 400
            assert said in answer.json()["sentence"]
        assert len(site.commands) == before


async def _nothing_happens(site: Site, status: int, **headers: str) -> None:
    for path, (value, _) in COMMANDS.items():
        answer = await site.command(path, value, **headers)
        assert answer.status_code == status, f"{path} with {headers}: {answer.status_code} {answer.text}"
        assert TOKEN not in answer.text


async def test_no_command_works_without_the_token_or_from_another_site(begin: Begin) -> None:
    async with begin() as site:
        await _nothing_happens(site, 403, origin="http://elsewhere.example")
        await _nothing_happens(site, 403, origin="null")
        await _nothing_happens(site, 403, sec_fetch_site="cross-site")
        await _nothing_happens(site, 403, sec_fetch_site="same-site")
        await _nothing_happens(site, 421, host="elsewhere.example")
        await _nothing_happens(site, 421, host=f"elsewhere.example:{site.web.base_url.port}")
        await _nothing_happens(site, 415, content_type="application/x-www-form-urlencoded")
        await _nothing_happens(site, 415, content_type="text/plain")
        await _nothing_happens(site, 401, authorization="")
        assert site.commands == []
        # Eight wrong tokens are eight attempts. After two more, the right one is not checked either.
        await _nothing_happens(site, 401, authorization=f"Bearer {TOKEN[:-1]}x")
        for wrong in (f"Basic {TOKEN}", "Bearer"):
            assert (await site.command("valve/hold", "true", authorization=wrong)).status_code == 401
        await _nothing_happens(site, 429)
        assert site.commands == []
        told = " ".join(event.sentence for event in site.events)
        assert TOKEN not in told
        assert (await site.web.get("/api/facts")).status_code == 200, "looking needs no token"


async def test_browsers_are_notified_when_a_fill_that_ended_is_in_the_log(
    begin: Begin, tmp_path: Path
) -> None:
    log = LogPlan(tmp_path / "clearwell.db", LogSettings())
    async with begin(log=log) as site, listening(site) as events:
        await site.filling()
        await events.until(lambda r: r["valve"]["phase"] == "fill", "no fill was shown")
        site.board.read(2000.0, Flow.TO_RESERVOIR)
        await events.until(lambda r: r["valve"]["phase"] == "tripped", "no trip was shown")
        # An early request is cached for a while, and must not hide the fill later.
        await site.web.get(f"/api/reservoirs/{RESERVOIR}/fills")
        await until(lambda: events.fills == {"id": RESERVOIR}, "nobody was told of the fill")
        (shown,) = (await site.web.get(f"/api/reservoirs/{RESERVOIR}/fills")).json()
        assert shown["ended_by"] == "trip"


async def test_a_command_that_was_sent_twice_is_carried_out_once(begin: Begin) -> None:
    async with begin() as site:
        one = {"property": "reservoir/sample", "value": "9", "key": "a-click"}
        first, again = [await site.act(one) for _ in range(2)]
        assert (first.status_code, first.json()["sentence"]) == (200, "Done.")
        assert again.json()["sentence"] == "Done."
        assert [type(command) for command in site.commands] == [ReservoirSample]
        assert (await site.act(one | {"key": "another-click"})).status_code == 200
        assert [type(command) for command in site.commands] == [ReservoirSample] * 2
        refused = [await site.act({"property": "fill/start", "value": "x", "key": "k"}) for _ in range(2)]
        assert [answer.status_code for answer in refused] == [400, 400]
        assert refused[0].json()["sentence"] == refused[1].json()["sentence"]


async def test_a_command_that_waited_too_long_is_never_carried_out(
    begin: Begin, monkeypatch: pytest.MonkeyPatch
) -> None:
    async with begin() as site:
        page = site.daemon.page
        assert page is not None
        now = asyncio.get_running_loop().time()
        late = CommandRequest(1, RESERVOIR, "valve/hold", "true", key="late", expires_at=now)
        results: list[CommandResult] = []
        monkeypatch.setattr(page, "_send_result", results.append)
        page._carry_out(late)
        # The browser asks again with a new limit: the same command stays refused.
        page._carry_out(replace(late, number=2, expires_at=now + 1000.0))
        await until(lambda: len(results) == 2, "not answered twice")
        assert [(one.number, one.status) for one in results] == [(1, "refused"), (2, "refused")]
        assert "not carried out" in results[0].sentence
        assert site.commands == []
        page._carry_out(replace(late, number=3, key="in-time", expires_at=now + 1000.0))
        await until(lambda: len(results) == 3, "not answered")
        assert (results[2].status, site.keeper.station.state.hold) == ("done", True)


async def test_the_token_is_checked_when_it_is_entered(begin: Begin) -> None:
    async with begin() as site:
        right = await site.web.post("/api/token", headers={"authorization": f"Bearer {TOKEN}"})
        assert (right.status_code, right.json()["sentence"]) == (200, "The token is right.")
        for _ in range(10):
            wrong = await site.web.post("/api/token", headers={"authorization": "Bearer nothing-like-it"})
            assert wrong.status_code == 401
        # A guess costs a try here too.
        assert (await site.command("valve/hold", "true")).status_code == 429


async def test_a_page_without_a_token_accepts_no_command(begin: Begin) -> None:
    async with begin(token=None) as site:
        assert (await site.web.get("/api/facts")).json()["can_act"] is False
        await _nothing_happens(site, 403)
        await _nothing_happens(site, 403, authorization="Bearer None")
        assert site.commands == []


async def test_a_killed_page_is_restarted_without_effect_on_the_guard(begin: Begin) -> None:
    async with begin() as site:
        page = site.daemon.page
        assert page is not None
        await site.filling()
        killed = page.pid
        assert killed is not None
        os.kill(killed, signal.SIGKILL)
        sent = await answered(site.board, 2000.0, Flow.TO_RESERVOIR)
        assert any(isinstance(one, Close) for one in sent), (
            "no close on the wire in the turn of the bad reading"
        )
        await until(lambda: page.pid not in (None, killed), "the page was not started again")
        await site.opened()
        async with listening(site) as events:
            site.board.read(2000.0)
            shown = await events.until(lambda r: r["valve"]["phase"] == "tripped", "the trip is not shown")
            assert shown["valve"]["decided"] == "shut"
        told = [event.id for event in site.events if event.id.startswith("page-")]
        assert told == ["page-open", "page-away", "page-open"]


async def test_a_page_that_hangs_delays_nothing_and_the_queue_is_bounded(begin: Begin) -> None:
    async with begin() as site:
        page = site.daemon.page
        assert page is not None
        assert page.pid is not None
        await site.filling()
        os.kill(page.pid, signal.SIGSTOP)
        try:
            view = site.keeper.station.view()
            process = page._process
            assert process is not None
            assert process.stdin is not None
            for _ in range(400):
                page.offer(view)
                page._write()
            most = process.stdin.transport.get_write_buffer_size()
            assert most < 128 * 1024, f"{most} bytes wait for a page that does not read"
            sent = await answered(site.board, 2000.0, Flow.TO_RESERVOIR)
            assert any(isinstance(one, Close) for one in sent)
        finally:
            os.kill(page.pid, signal.SIGCONT)
        async with listening(site) as events:
            await events.until(lambda r: r["valve"]["phase"] == "tripped", "the page never caught up")


async def test_a_page_that_cannot_be_served_is_reported_and_the_bridge_continues(
    begin: Begin, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def said(site: Site, part: str) -> bool:
        return any(event.id == "page-away" and part in event.sentence for event in site.events)

    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        async with begin(port=port, opens=False) as site:
            await until(lambda: said(site, f"port {port} of 127.0.0.1 is taken"), "no word of the port")
            await site.filling()
    (tmp_path / "uvicorn.py").write_text(
        "raise ModuleNotFoundError(\"No module named 'uvicorn'\", name='uvicorn')"
    )
    monkeypatch.setenv("PYTHONPATH", str(tmp_path))
    async with begin(opens=False) as site:
        await until(lambda: said(site, "clearwell-bridge[page]"), "no word of what is not installed")
        await site.filling()


async def test_the_page_receives_no_secret_that_others_could_see(
    begin: Begin, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("CLEARWELL_HUB__PASSWORD", "crumpled-otter-12")
    monkeypatch.setenv("CLEARWELL_PAGE__TOKEN", TOKEN)
    monkeypatch.setenv("NOTIFY_SOCKET", "/nowhere")
    async with begin() as site:
        page = site.daemon.page
        assert page is not None
        process = Path(f"/proc/{page.pid}")
        assert TOKEN not in (process / "cmdline").read_text()
        environ = (process / "environ").read_text()
        for word in (TOKEN, "crumpled-otter-12", "NOTIFY_SOCKET", "CLEARWELL_"):
            assert word not in environ
        answers = [await site.web.get(path) for path in ("/", "/api/facts", "/metrics", "/nowhere")]
        assert all(TOKEN not in answer.text + str(answer.headers) for answer in answers)
        own = os.getpriority(os.PRIO_PROCESS, 0)
        assert os.getpriority(os.PRIO_PROCESS, page.pid or 0) == min(19, own + 10), "browsers go first"


def test_a_bridge_without_a_page_imports_no_module_of_the_page() -> None:
    program = (
        "import asyncio, sys\n"
        "from bridge.daemon.process import Daemon\n"
        "from bridge.config.plan import BridgePlan\n"
        "async def make(): Daemon(BridgePlan((), None))\n"
        "asyncio.run(make())\n"
        "print([name for name in sys.modules if name.split('.')[0] in ('starlette', 'uvicorn', 'h11',"
        " 'prometheus_client') or name.startswith('bridge.web')])"
    )
    done = run(sys.executable, "-c", program)
    assert (done.status, done.stdout.strip()) == (0, "[]"), done.stderr


async def test_a_page_ends_with_its_bridge(begin: Begin) -> None:
    async with begin() as site:
        page = site.daemon.page
        assert page is not None
        pid = page.pid
    with pytest.raises(ProcessLookupError):
        os.kill(pid or 0, 0)


async def test_a_reservoirs_description_names_the_broker_and_none_of_its_secrets(begin: Begin) -> None:
    broker = BrokerSettings(
        "127.0.0.1", "tunnel", port=free_port(), username="gardener", password=Secret("crumpled-otter-12")
    )
    async with begin(hub=HubPlan(broker, LAYOUT)) as site:
        answer = await site.web.get(f"/things/{RESERVOIR}")
        assert answer.headers["content-type"] == "application/td+json"
        assert answer.json()["title"] == "The barrel"
        assert f"mqtt://127.0.0.1:{broker.port}" in answer.text
        assert "crumpled-otter-12" not in answer.text
        assert (await site.web.get("/things/other")).status_code == 404
        await site.filling()
