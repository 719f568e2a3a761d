"""The daemon between a controller and a checker that know it only by its pages.

``Stranger`` is either of them: a program of its own that takes lines and prints JSON lines.
"""

import asyncio
import contextlib
import json
import os
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from tests.brokers import Mosquitto, Observer
from tests.running import Running, started, succeeds
from tests.waiting import changed, within

ROOT = Path(__file__).parents[2]
LEASE_S = 2
FLOW_L_S = 1.0
LITRES_A_PULSE = 0.01
CAPACITY_L = 200.0
DEVICE = "bog-barrel"
HUB = f"homie/5/{DEVICE}"
HUNDREDTH = 0.01
"""The hub shows litres with two decimals."""

Event = dict[str, Any]

CONFIG = """
[bridge]
id = "bog"
[hub]
host = "127.0.0.1"
port = {broker}
heartbeat_s = {heartbeat}
[log.outbox]
every_s = {records}
[reservoir.barrel]
port = "{port}"
shape = {{ kind = "box", length_m = 1.0, width_m = 0.5, height_m = 0.4 }}
assumed_ppm = 5
[reservoir.barrel.level]
refill_fraction = 0.60
fill_fraction = {fill_fraction}
wave_time_constant_s = 0.2
overflow_float = true
overflow_return_s = 0.5
[reservoir.barrel.level.sensor]
table = [[0.05, 0.02], [0.95, 0.38]]
[reservoir.barrel.product]
cell_constant_per_cm = 0.1
[reservoir.barrel.feed]
cell_constant_per_cm = 1.0
[reservoir.barrel.purifier]
{flow}
flow_max_l_min = 70
[reservoir.barrel.guard]
lease_s = {lease}
rinse_min_s = 0.5
in_spec_s = 0.4
pause_s = 1
{guard}
"""
FLOW_METER = f"litres_per_pulse = {LITRES_A_PULSE}"


@dataclass
class Stranger:
    """A program that prints JSON lines; all of them are kept."""

    process: asyncio.subprocess.Process
    events: list[Event] = field(default_factory=list)
    _news: asyncio.Condition = field(default_factory=asyncio.Condition)

    async def listen(self) -> None:
        assert self.process.stdout is not None
        async for line in self.process.stdout:
            async with self._news:
                self.events.append(json.loads(line))
                self._news.notify_all()

    def sends(self, line: str) -> None:
        assert self.process.stdin is not None
        self.process.stdin.write(line.encode() + b"\n")

    async def until(self, so: Callable[[], bool], failure: str) -> None:
        """Waits until a condition of its events holds."""
        await changed(self._news, so, lambda: f"{failure}; the last events were {self.events[-8:]}")


class Controller(Stranger):
    """The controller, with the truth of its world."""

    def all(self, ev: str, since: float = 0.0, **fields: object) -> list[Event]:
        """Returns every event of a kind with these fields, from a time on."""
        return [
            one
            for one in self.events
            if one["ev"] == ev and one["t"] >= since and all(one.get(k) == v for k, v in fields.items())
        ]

    async def first(self, ev: str, since: float = 0.0, failure: str = "", **fields: object) -> Event:
        """Waits for the first event of a kind with these fields, from a time on."""
        await self.until(
            lambda: bool(self.all(ev, since, **fields)),
            failure or f"no {ev} {fields} came from the controller",
        )
        return self.all(ev, since, **fields)[0]

    async def told(self, command: str) -> float:
        """Gives the controller a command. Returns the time at which it did it."""
        before = len(self.events)
        self.sends(command)
        await self.until(lambda: self._answer(command, before) is not None, f"{command!r} was not done")
        answer = self._answer(command, before)
        assert answer is not None
        assert answer["ev"] == "done", f"the controller does not know {command!r}"
        return float(answer["t"])

    def _answer(self, command: str, before: int) -> Event | None:
        return next((one for one in self.events[before:] if one.get("command") == command), None)

    async def truth(self) -> Event:
        """Returns the present state of its world."""
        t = await self.told("truth")
        return self.all("truth", since=t - 0.1)[-1]

    def frames(self, kind: str, since: float = 0.0) -> list[Event]:
        """Returns every command of a kind that came from the bridge."""
        return self.all("got", since, kind=kind)

    def openings_l(self) -> float:
        """Returns the litres of all openings that are over."""
        flowed = (
            float(shut["delivered_l"] - opened["delivered_l"])
            for opened, shut in zip(self.openings, self.all("shut"), strict=False)
        )
        return sum(flowed)

    @property
    def openings(self) -> list[Event]:
        return self.all("open", path="fill")


class Checker(Stranger):
    """The checker at the hub."""

    async def report(self) -> Event:
        """Returns its report on everything that was published until now."""
        before = len(self.events)
        self.sends("report")
        await self.until(lambda: len(self.events) > before, "the checker does not report")
        return self.events[-1]

    async def finds_no_deviation(self) -> Event:
        report = await self.report()
        assert report["messages"] > 50, "the checker saw next to nothing"
        assert report["deviations"] == []
        return report


class Hub(Observer):
    """A subscriber of everything that no payload stops."""

    async def listen(self) -> None:
        async for message in self.client.messages:
            topic, payload = message.topic.value, bytes(message.payload).decode(errors="replace")
            async with self._changed:
                self.seen.append((topic, payload))
                self.kept[topic] = payload
                if not payload:
                    del self.kept[topic]
                self._changed.notify_all()


@dataclass
class Stage:
    """Controller, broker, checker and the configuration of the daemon between them."""

    folder: Path
    broker: Mosquitto
    program: Path
    stack: contextlib.AsyncExitStack
    controller: Controller = field(init=False)
    checker: Checker = field(init=False)

    @property
    def port(self) -> Path:
        return self.folder / "controller"

    async def set_up(self, *settings: str) -> None:
        """Starts checker and controller."""
        words = (sys.executable, "-m", "tests.strangers.checker", str(self.broker.port))
        self.checker = Checker(await self._started(*words))
        await self._listens(self.checker)
        await self.checker.until(lambda: bool(self.checker.events), "the checker did not subscribe")
        own = (f"flow={FLOW_L_S}", f"pulse={LITRES_A_PULSE}", "tank=119", f"link={self.port}")
        self.controller = Controller(await self._started(str(self.program), *own, *settings))
        await self._listens(self.controller)
        await self.controller.first("port")

    def configured(
        self,
        *,
        flow: str = FLOW_METER,
        guard: str = "",
        heartbeat_s: int = 2,
        fill_fraction: float = 0.62,
        records_every_s: int = 10,
    ) -> Path:
        """Writes the configuration."""
        file = self.folder / "clearwell.toml"
        file.write_text(
            CONFIG.format(
                broker=self.broker.port, port=self.port, lease=LEASE_S, flow=flow, guard=guard,
                records=records_every_s,
                heartbeat=heartbeat_s, fill_fraction=fill_fraction,
            )
        )  # fmt: skip
        succeeds("check", file)
        return file

    @contextlib.contextmanager
    def daemon(self, **settings: Any) -> Iterator[Running]:
        """Runs the daemon as its users do."""
        with started("run", "--config", self.configured(**settings)) as daemon:
            yield daemon

    async def _started(self, *words: str) -> asyncio.subprocess.Process:
        pipe = asyncio.subprocess.PIPE
        process = await asyncio.create_subprocess_exec(
            *words,
            cwd=ROOT,
            stdin=pipe,
            stdout=pipe,
            limit=2**24,
            env={**os.environ, "PYTHONPATH": str(ROOT)},
        )

        async def end() -> None:
            with contextlib.suppress(ProcessLookupError):
                process.kill()
            await within(process.wait(), "a stranger did not end")

        self.stack.push_async_callback(end)
        return process

    async def _listens(self, stranger: Stranger) -> None:
        task = asyncio.create_task(stranger.listen())

        async def end() -> None:
            task.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await task

        self.stack.push_async_callback(end)


async def counts_every_pulse(hub: Hub, controller: Controller) -> None:
    """The bridge has counted the litres that the meter has, within one pulse."""
    truth = await controller.truth()
    assert truth["path"] == "shut", "the count is compared while no water flows"
    metered_l = truth["pulses"] * LITRES_A_PULSE

    def same(seen: Observer) -> bool:
        treated = seen.kept.get(f"{HUB}/purifier/treated")
        return treated is not None and abs(float(treated) - metered_l) <= LITRES_A_PULSE + HUNDREDTH / 2

    await hub.until(same, f"{metered_l:.2f} L flowed through the meter, and the bridge counted otherwise")
