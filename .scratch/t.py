import pathlib
p=pathlib.Path("tests/web/test_live.py"); s=p.read_text()
s=s.replace('''async def test_a_page_without_a_token_accepts_no_command''','''async def test_a_command_that_was_sent_twice_is_carried_out_once(begin: Begin) -> None:
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


async def test_a_page_without_a_token_accepts_no_command''')
s=s.replace('''import os
import signal''','''import asyncio
import os
import signal''',1).replace('''import sys
from pathlib''','''import sys
from dataclasses import replace
from pathlib''',1).replace('''from bridge.config.plan import HubPlan, LogPlan
''','''from bridge.config.plan import HubPlan, LogPlan
from bridge.daemon.page_lines import CommandRequest, CommandResult
''',1)
p.write_text(s)
p=pathlib.Path("tests/web/conftest.py"); s=p.read_text()
s=s.replace('''        own = {"authorization": f"Bearer {TOKEN}", "origin": self.url, "sec-fetch-site": "same-origin"}
        sent = {name.replace("_", "-"): value for name, value in headers.items()}
        return await self.web.post(
            f"/api/reservoirs/{RESERVOIR}/command",
            content=json.dumps({"property": path, "value": value} | ({} if unit is None else {"unit": unit})),
            headers={**own, "content-type": "application/json", **sent},
        )
''','''        named = {} if unit is None else {"unit": unit}
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
''')
p.write_text(s)
p=pathlib.Path("tests/web/test_facts.py"); s=p.read_text()
s=s.replace('''    assert read_from_page(command_request_line(CommandRequest(number, a, a, b, unit))) == CommandRequest(
        number, a, a, b, unit
    )
''','''    for request in (CommandRequest(number, a, a, b, unit), CommandRequest(number, a, a, b, unit, a, 1.5)):
        assert read_from_page(command_request_line(request)) == request
''')
p.write_text(s)
