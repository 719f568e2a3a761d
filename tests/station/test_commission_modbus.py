"""The commissioning tests check the time limit of a relay module on a Modbus line."""

import asyncio
from collections.abc import Callable
from pathlib import Path

import pytest

from bridge.bench import Bench, commissioning
from bridge.bench.commissioning import Checklist, Result, Verdict
from bridge.config.loading import load
from tests.daemon.test_modbus_daemon import LIMITED, PLAIN, configured
from tests.transport.modbus_line import Devices, serving
from tests.transport.null_modem import NullModem
from tests.waiting import DEADLINE_S

pytestmark = pytest.mark.slow


def person(devices: Devices, loop: asyncio.AbstractEventLoop) -> Callable[[str], bool]:
    """Return a function that carries out the steps of the checklist."""

    def set_(name: str, value: object) -> None:
        setattr(devices, name, value)

    async def lift_when_open() -> None:
        await devices.until(lambda d: d.relays[0], "the valve did not open")
        devices.overflow = True

    def ask(what: str) -> bool:
        if "Unplug" in what:
            set_("conductivity_us_cm", 0.0)
        elif "Plug it in" in what:
            set_("conductivity_us_cm", 20.0)
        elif "Lift the full" in what:
            set_("full", True)
        elif "Lift the overflow" in what:
            set_("overflow", True)
        elif "et it go" in what or "et the float go" in what:
            set_("full", False)
            set_("overflow", False)
        elif "Take hold" in what:
            asyncio.run_coroutine_threadsafe(lift_when_open(), loop)
        return True

    return ask


async def walked(config: Path, devices: Devices) -> list[Result]:
    station = load(config, {}).stations[0]
    ask = person(devices, asyncio.get_running_loop())

    def walk() -> list[Result]:
        with Bench(station) as bench:
            return list(Checklist(bench, station, ask).results())

    return await asyncio.to_thread(walk)


@pytest.mark.parametrize("how", ["limited", "module ignores its limit", "plain"])
async def test_the_kill_test_tells_who_would_shut_the_valve(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, how: str
) -> None:
    # A busy machine reads the shut valve late, and this delay does not matter here.
    monkeypatch.setattr(commissioning, "LATE_S", DEADLINE_S)
    devices = Devices(ignores_time=how == "module ignores its limit")
    with NullModem() as cable:
        config = configured(tmp_path, cable.near, PLAIN if how == "plain" else LIMITED)
        async with serving(cable.far, devices):
            results = await walked(config, devices)
    by_test = {result.test: result for result in results}
    kill = next(result for test, result in by_test.items() if "kill test" in test)
    others = [result for result in results if result is not kill and "low float" not in result.test]
    if how == "limited":
        assert kill.verdict is Verdict.PASSED, kill
        assert {result.verdict for result in others} == {Verdict.PASSED}, others
    elif how == "plain":
        assert kill.verdict is Verdict.NOT_FITTED
        assert "nothing shuts the valve but the overflow float" in kill.observed
    else:
        assert kill.verdict is Verdict.FAILED, kill
    assert not devices.relays[0]
