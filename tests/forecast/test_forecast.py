"""The daemon's forecast, its record in the log, and its output at the terminal, with a real rig."""

import asyncio
import json
import math
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import replace
from pathlib import Path

import pytest

from bridge.config.loading import load
from bridge.config.plan import BridgePlan, LogPlan
from bridge.daemon import process as daemon_module
from bridge.daemon.keeper import Keeper
from bridge.daemon.process import Daemon
from bridge.daemon.rows import SAMPLER
from bridge.demo import HURRIED, RESERVOIR, bridge, station
from bridge.errors import InputError
from bridge.forecast import learner as learner_module
from bridge.forecast.cartridges import history_from
from bridge.guard.commands import CartridgeChanged
from bridge.guard.model import Phase
from bridge.history.reader import Reader
from bridge.history.records import CartridgeRow, CommandRow, EventRow, Kind, SampleRow, Stamp
from bridge.history.waiting import LogSettings
from bridge.history.writer import Log
from bridge.mqtt.broker import MqttVersion
from bridge.purifier.cartridge import Evidence
from bridge.purifier.cartridge import Kind as PurifierKind
from bridge.rig.pty import RigServer
from bridge.rig.scenario import DEMO
from bridge.rig.world import World
from bridge.station.inventory import holding
from bridge.station.plan import CartridgePlan
from tests.narrowing import every, of_kind
from tests.running import clearwell, succeeds
from tests.waiting import DEADLINE_S, until, within

CARTRIDGE = CartridgePlan(PurifierKind.EXCHANGE, 100.0, price=40.0)


def plan_in(folder: Path) -> BridgePlan:
    """Returns the demo's barrel without its feed probe and with a cartridge in the configuration."""
    one = station(DEMO, str(folder / "controller"), HURRIED, 0.5, 0.65)
    identity = replace(one.identity, has_feed_probe=False, has_forecast=True)
    one = replace(one, identity=identity, feed=None, feed_ppm=None, cartridge=CARTRIDGE)
    plan = bridge(one, "127.0.0.1", 1, MqttVersion("5"))
    return replace(plan, hub=None, log=LogPlan(folder / "log.db", LogSettings(outbox=None)))


@asynccontextmanager
async def running(plan: BridgePlan) -> AsyncIterator[Daemon]:
    daemon = Daemon(plan)
    task = asyncio.create_task(daemon.run())
    try:
        await within(daemon.ready.wait())
        yield daemon
    finally:
        daemon.stop()
        await within(task)


async def in_the_log(path: str) -> None:
    """Waits until the log has its first reading of the reservoir."""

    def known() -> bool:
        with Reader(Path(path)) as reader:
            return RESERVOIR in reader.reservoirs()

    await until(known, "the log does not know the reservoir")


async def filled(keeper: Keeper) -> None:
    await until(lambda: keeper.station.state.phase is Phase.FILL, "no fill began")
    await until(lambda: keeper.station.memory.inventory.load.treated_l > 8.0, "nothing was treated")


async def test_a_feed_sample_from_the_terminal_makes_the_running_daemon_forecast(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(daemon_module, "SAMPLES_EVERY_S", 0.05)
    monkeypatch.setattr(learner_module, "UPDATE_EVERY_S", 0.2)
    plan = plan_in(tmp_path)
    log = str(tmp_path / "log.db")
    rig = RigServer(World(DEMO, seed=2), tmp_path / "controller", 20.0)
    serving = asyncio.create_task(rig.run())
    await within(rig.ready.wait())
    async with running(plan) as daemon:
        keeper = daemon.keepers[RESERVOIR]
        await until(lambda: keeper.station.picture is not None, "no reading came")
        assert keeper.station.outlook.litres_left is None
        await in_the_log(log)
        words = ["--conductivity", "640", "--compensated", "--log", log, "--of", "feed", "--reservoir"]
        out = await asyncio.to_thread(lambda: succeeds("sample", *words, RESERVOIR, "--note", "at the tap"))
        assert f"Kept in {log} as a sample of feed" in out
        ppm = 640.0 * keeper.plan.identity.factor
        await until(lambda: keeper.station.memory.feed_ppm == pytest.approx(ppm), "the sample was not taken")
        await filled(keeper)
        await until(lambda: keeper.station.outlook.litres_left is not None, "nothing was forecast")
        assert keeper.station.memory.inventory.load.taken_up_g > 1.0
        assert keeper.station.view().litres_left is not None
        refusal = keeper.command(CartridgeChanged(asyncio.get_running_loop().time(), "somebody"))
        assert refusal is None
    with Reader(tmp_path / "log.db") as reader:
        rows = list(reader.events(0, 2**45, kinds=(Kind.SAMPLE, Kind.CARTRIDGE)))
    assert [type(row) for row in rows] == [SampleRow, CartridgeRow]
    assert of_kind(SampleRow, rows[0]).note == "at the tap"
    changed = of_kind(CartridgeRow, rows[1])
    assert changed.exhausted is False
    assert changed.load_g is not None
    # A new process starts with the cartridge history, the feed and the learned state.
    async with running(plan) as daemon:
        keeper = daemon.keepers[RESERVOIR]
        assert keeper._forecast is not None
        learner = keeper._forecast.learner
        assert learner.earlier == ((Evidence(changed.load_g, False),) if changed.load_g > 2.0 else ())
        await until(lambda: keeper.station.memory.feed_ppm == pytest.approx(ppm), "the feed was forgotten")
        learned = learner.learned
        assert learned.draw.hour_key >= 0
    out = await asyncio.to_thread(lambda: succeeds("forecast", "--log", log, "--plot"))
    assert "Litres left" in out
    assert "rating ±50 %" in out
    assert "# crossing, median" in out
    (values,) = json.loads(await asyncio.to_thread(lambda: succeeds("forecast", "--log", log, "--json")))
    assert values["reservoir"] == RESERVOIR
    assert values["litres_left"]["low80"] < values["litres_left"]["median"] < values["litres_left"]["high80"]
    assert values["days_left"] is None
    serving.cancel()
    await asyncio.gather(serving, return_exceptions=True)


async def test_a_sample_of_the_reservoir_enters_the_balance_of_the_running_daemon_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(daemon_module, "SAMPLES_EVERY_S", 0.05)
    plan = plan_in(tmp_path)
    log = str(tmp_path / "log.db")
    rig = RigServer(World(DEMO, seed=2), tmp_path / "controller", 5.0)
    serving = asyncio.create_task(rig.run())
    await within(rig.ready.wait())

    async def sampled(us_cm: float) -> None:
        await in_the_log(log)
        words = ["--conductivity", str(us_cm), "--compensated", "--log", log, "--of", "reservoir"]
        await asyncio.to_thread(lambda: succeeds("sample", *words, "--reservoir", RESERVOIR))

    async def shows(daemon: Daemon, ppm: float) -> None:
        station = daemon.keepers[RESERVOIR].station
        await until(lambda: station.memory.inventory.located, "no volume was measured")
        # One or two litres can flow in before the sample is read.
        near = pytest.approx(ppm, rel=0.1)
        await until(lambda: station.view().reservoir_ppm == near, f"the balance never held {ppm} ppm")

    async with running(plan) as daemon:
        await shows(daemon, holding(daemon.keepers[RESERVOIR].station.memory.inventory))
        await sampled(90.0)
        await shows(daemon, 90.0 * plan.stations[0].identity.factor)
    await sampled(60.0)
    for _ in range(2):
        async with running(plan) as daemon:
            await shows(daemon, 60.0 * plan.stations[0].identity.factor)
    with Reader(tmp_path / "log.db") as reader:
        rows = list(reader.events(0, 2**45, kinds=(Kind.COMMAND, Kind.SAMPLE)))
    taken = [row for row in rows if isinstance(row, CommandRow)]
    assert [(row.what.split(" of ")[0], row.sender, row.accepted) for row in taken] == [
        ("reservoir sample", SAMPLER, True)
    ] * 2
    assert len(rows) == 4, "each sample has its own row and no copy"
    assert history_from(rows).reservoir == {}
    serving.cancel()
    await asyncio.gather(serving, return_exceptions=True)


async def test_a_fault_of_the_forecast_ends_only_the_forecast(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from bridge.forecast.learner import Learner

    def broken(*_: object) -> None:
        raise ZeroDivisionError

    monkeypatch.setattr(Learner, "update", broken)
    events: list[str] = []
    rig = RigServer(World(DEMO, seed=2), tmp_path / "controller", 20.0)
    serving = asyncio.create_task(rig.run())
    await within(rig.ready.wait())
    daemon = Daemon(plan_in(tmp_path), lambda event: events.append(event.id))
    task = asyncio.create_task(daemon.run())
    await within(daemon.ready.wait())
    await filled(daemon.keepers[RESERVOIR])
    assert events.count("forecast-failed") == 1
    assert "station-failed" not in events
    daemon.stop()
    await within(task)
    serving.cancel()
    await asyncio.gather(serving, return_exceptions=True)


@pytest.fixture
def log(tmp_path: Path) -> Path:
    """Returns a log with one event of each of two reservoirs."""
    path = tmp_path / "log.db"
    kept = Log(path)
    kept.start().result(DEADLINE_S)
    for number, name in enumerate(("barrel", "butt")):
        kept.write(
            [EventRow(Stamp(1, number, 1_800_000_000_000 + number), name, "phase", "From rest to fill.")]
        )
    assert kept.close()
    return path


def test_a_sample_of_a_tray_shows_its_cycles_and_its_flush_and_is_logged_in_full(log: Path) -> None:
    reading = ("--conductivity", "160", "--compensated", "--log", str(log), "--reservoir", "butt")
    out = succeeds("sample", *reading, "--of", "tray", "--tray-litres", "4", "--given", "8")
    assert "10 cycles of concentration against the 8 ppm given" in out
    values = json.loads(
        succeeds("sample", *reading[:3], "--of", "tray", "--tray-litres", "4", "--given", "8", "--json")
    )
    # Well stirred, from 72 ppm above the inflow down to nine tenths of the limit less the uncertainty.
    poured_l = 4.0 * math.log(72.0 / (0.9 * (50.0 - values["expanded_uncertainty"] - 8.0)))
    assert values["flush_through_l"] == pytest.approx(poured_l)
    assert f"pour {poured_l:.2g} L through" in out
    succeeds("sample", *reading, "--of", "well-2")
    with Reader(log) as reader:
        rows = list(reader.events(0, 2**45, kinds=(Kind.SAMPLE,), reservoir="butt"))
    samples = every(SampleRow, rows)
    assert [row.of for row in samples] == ["tray", "well-2"]
    assert [row.dissolved_solids_ppm for row in samples] == pytest.approx([80.0, 80.0])
    assert rows[0].stamp.utc_ms < rows[1].stamp.utc_ms
    # The wall clock is behind the last row of the log; the new row still comes after it.
    assert rows[0].stamp.utc_ms > 1_800_000_000_001


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("--of", "Rain Butt", "--log", "LOG"), "lower-case"),
        (("--log", "LOG"), "--of"),
        (("--of", "rain", "--log", "LOG"), "--reservoir"),
        (("--of", "rain", "--log", "LOG", "--reservoir", "pond"), "no such reservoir"),
        (("--of", "rain", "--log", "NONE"), "no such file"),
        (("--of", "rain", "--given", "8"), "--of tray"),
        (("--of", "tray", "--given", "49.9", "--tray-litres", "4"), "purer water"),
        (("--of", "rain", "--reservoir", "butt"), "--log"),
    ],
)
def test_a_refused_sample_gives_one_clear_line_and_status_2(
    log: Path, words: tuple[str, ...], told: str
) -> None:
    named = {"LOG": str(log), "NONE": str(log.with_name("none.db"))}
    reading = ("sample", "--conductivity", "160", "--compensated")
    done = clearwell(*reading, *(named.get(word, word) for word in words))
    assert done.status == 2
    assert told in done.stderr
    with Reader(log) as reader:
        assert not list(reader.events(0, 2**45, kinds=(Kind.SAMPLE,)))


def test_scale_and_limits_of_a_sample_come_from_the_configuration(log: Path) -> None:
    config = log.with_name("clearwell.toml")
    name = next(line for line in EXAMPLE.splitlines() if line.startswith("[reservoir.")).strip("[]")
    text = EXAMPLE.replace(f"[{name}]", f"[{name}]\nfactor = 0.7")
    more = f'[{name}.guard]\nlimit_ppm = 60\n[log]\npath = "{log.name}"\n'
    config.write_text(f"{text}\n{more}", encoding="utf-8")
    more = '[meter.pen]\nshows = "us/cm"\nresolution = 1\npercent_of_reading = 1\n'
    config.write_text(f"{config.read_text('utf-8')}\n{more}", encoding="utf-8")
    words = ("--conductivity", "80", "--temperature", "25", "--meter", "pen", "--config", str(config), "--of")
    for of in ("rain", "reservoir"):
        values = json.loads(succeeds("sample", *words, of, "--json"))
        assert (values["factor"], values["dissolved_solids"]) == (0.7, pytest.approx(56.0))
        assert values["verdict"] == "marginal"
        assert values["reservoir"] == "barrel"
    # An option on the command line takes precedence.
    values = json.loads(succeeds("sample", *words, "rain", "--limit", "40", "--factor", "0.5", "--json"))
    assert (values["dissolved_solids"], values["verdict"]) == (pytest.approx(40.0), "unsuitable")


def test_a_log_without_a_forecast_is_reported(log: Path) -> None:
    done = clearwell("forecast", "--log", log)
    assert done.status == 1, "nothing was typed wrong"
    assert "no forecast is kept there yet" in done.stderr


EXAMPLE = (Path(__file__).parents[2] / "config" / "minimal.toml").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("table", "grams"),
    [
        ("kind = 'exchange'\ntreats = '45 us-gal'\ntreats_of = 100", 45 * 3.785411784 * 0.1),
        ("kind = 'exchange'\ntakes_up = '300 grain'", 300 * 0.06479891 * 50 / 50.04),
        ("kind = 'exchange'\nresin = 2\nequivalents_per_l = 0.6", 2 * 0.6 * 50),
        ("kind = 'membrane'\nrejection_percent = 95", None),
        ("kind = 'distiller'\nscale = 50", 50.0),
    ],
)
def test_a_cartridges_rating_is_configured_in_the_makers_units(
    tmp_path: Path, table: str, grams: float | None
) -> None:
    """An equivalent is 50.04 g of calcium carbonate, and 50 g on the scale of 0.5."""
    (fitted,) = _with_cartridge(tmp_path, table)
    assert fitted is not None
    assert fitted.rated_g == (None if grams is None else pytest.approx(grams))
    assert fitted.lead_days == 7.0


@pytest.mark.parametrize(
    ("table", "told"),
    [
        ("kind = 'exchange'", "needs one rating"),
        ("kind = 'exchange'\ntreats = 100", "treats_of"),
        ("kind = 'exchange'\ntakes_up = 10\nprice = -3", "price"),
        ("kind = 'exchange'\ntakes_up = '10 stone'", "'stone' is not a unit of mass"),
        ("kind = 'membrane'", "needs rejection_percent"),
        ("kind = 'membrane'\nrejection_percent = 95\ntakes_up = 10", "belongs to the kind 'exchange'"),
        ("kind = 'distiller'", "needs scale"),
    ],
)
def test_a_contradictory_cartridge_is_refused_by_its_key(tmp_path: Path, table: str, told: str) -> None:
    with pytest.raises(InputError, match=told):
        _with_cartridge(tmp_path, table)


def _with_cartridge(folder: Path, table: str) -> list[CartridgePlan | None]:
    path = folder / "clearwell.toml"
    name = next(line for line in EXAMPLE.splitlines() if line.startswith("[reservoir.")).strip("[]")
    path.write_text(f"{EXAMPLE}\n[{name}.cartridge]\n{table}\n", encoding="utf-8")
    return [one.cartridge for one in load(path, {}).stations]
