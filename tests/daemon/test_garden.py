"""Absences, frost and the watering round reach the reservoirs of a running daemon."""

import asyncio
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from functools import partial
from pathlib import Path

import pytest

from bridge.config.loading import load
from bridge.config.plan import BridgePlan
from bridge.daemon.garden import SENDER, GardenKeeper
from bridge.daemon.keeper import Keeper
from bridge.guard.commands import Hold
from bridge.guard.model import Advisory, Flow, Permissive, Phase
from bridge.history.reader import Reader
from bridge.history.records import CommandRow, EventRow, Kind, ReadingRow, Stamp
from bridge.history.writer import add
from bridge.protocol.messages import Reading
from bridge.station.events import StationEvent
from bridge.station.view import Outlook
from bridge.tank.cover import Cover
from bridge.tank.level import Zone
from bridge.trays.seasons import Absence
from tests.board import Board, greeted, running
from tests.running import succeeds
from tests.waiting import until

TODAY = datetime.now(UTC).date()
CONFIG = """
[bridge]
id = "garden"
[log]
path = "log.db"
[display]
zone = "UTC"
[reservoir.barrel]
port = "{port}"
shape = {{ kind = "upright-cylinder", diameter_m = 0.58, height_m = 0.76 }}
assumed_ppm = 6
[reservoir.barrel.level]
refill_fraction = 0.60
fill_fraction = 0.90
away_fill_fraction = 0.95
wave_time_constant_s = 0.2
overflow_return_s = 0.1
[reservoir.barrel.level.sensor]
table = [[0.05, 0.04], [0.95, 0.74]]
[reservoir.barrel.product]
cell_constant_per_cm = 0.1
[reservoir.barrel.guard]
rinse_min_s = 0.1
in_spec_s = 0.1
"""
TRAY = """
[tray.bog]
name = "Bog"
area_m2 = 1
"""
BETWEEN, OVER_USUAL_MARK, OVER_AWAY_MARK = 0.77, 0.90, 0.94
"""Fractions of the level sensor: 79 %, 92 % and 96 % of the height."""


@pytest.fixture
def board() -> Iterator[Board]:
    one = Board()
    yield one
    one.close()


@pytest.fixture
def config(tmp_path: Path, board: Board) -> Path:
    path = tmp_path / "clearwell.toml"
    path.write_text(CONFIG.format(port=board.path), "utf-8")
    return path


def plan_of(config: Path, more: str = "") -> BridgePlan:
    config.write_text(config.read_text("utf-8") + more, "utf-8")
    return load(config, {})


async def entered(*words: object) -> str:
    """Runs a command beside the daemon, which answers it through its socket."""
    return await asyncio.to_thread(succeeds, *words)


def at(board: Board, keeper: Keeper, level_sensor: float) -> None:
    flow = keeper.station.state.flow
    board.read(20.0, Flow.TO_RESERVOIR if flow is Flow.TO_RESERVOIR else Flow.SHUT, level_sensor)


async def seen(board: Board, keeper: Keeper, level_sensor: float, zone: Zone) -> None:
    """Sends readings until the level has settled in a zone."""

    def is_there() -> bool:
        picture = keeper.station.picture
        return picture is not None and picture.level.zone is zone

    await until(
        is_there, f"the level never was {zone.value}", meanwhile=partial(at, board, keeper, level_sensor)
    )


def phase(keeper: Keeper) -> Phase:
    return keeper.station.state.phase


async def filling_at(board: Board, keeper: Keeper, level_sensor: float) -> None:
    await until(
        lambda: keeper.station.state.phase is Phase.FILL,
        "no fill began before the absence",
        meanwhile=partial(at, board, keeper, level_sensor),
    )


def events(log: Path, event: str) -> list[str]:
    with Reader(log) as reader:
        rows = reader.events(0, 2**45, kinds=(Kind.EVENT,))
        return [row.sentence for row in rows if isinstance(row, EventRow) and row.event == event]


def commands(log: Path, sender: str) -> list[CommandRow]:
    with Reader(log) as reader:
        rows = reader.events(0, 2**45, kinds=(Kind.COMMAND,))
        return [row for row in rows if isinstance(row, CommandRow) and row.sender == sender]


def has_readings(log: Path) -> bool:
    with Reader(log) as reader:
        return reader.reservoirs() == ["barrel"]


def days(first: int, last: int) -> tuple[date, date]:
    return TODAY + timedelta(days=first), TODAY + timedelta(days=last)


async def test_an_absence_that_is_entered_fills_the_barrel_to_its_higher_mark(
    board: Board, config: Path
) -> None:
    plan = plan_of(config)
    async with running(plan) as daemon:
        keeper = daemon.keepers["barrel"]
        board.hello()
        await greeted(board)
        await seen(board, keeper, BETWEEN, Zone.MIDDLE)
        assert phase(keeper) is Phase.IDLE
        said = await entered("away", *days(1, 5), "--config", config)
        assert "barrel: filled to 191 L from two days before, and refilled at 151 L" in " ".join(said.split())
        await filling_at(board, keeper, BETWEEN)
        await seen(board, keeper, OVER_USUAL_MARK, Zone.MIDDLE)
        picture = keeper.station.picture
        await until(
            lambda: (
                (now := keeper.station.picture) is not None
                and now is not picture
                and (now.level.volume_l or 0.0) > 0.91 * plan.stations[0].identity.capacity_l
            ),
            "the level never rose over the usual mark",
            meanwhile=partial(at, board, keeper, OVER_USUAL_MARK),
        )
        assert phase(keeper) is Phase.FILL
        await seen(board, keeper, OVER_AWAY_MARK, Zone.FULL)
        assert phase(keeper) is Phase.IDLE
    (command,) = commands(config.parent / "log.db", SENDER)
    assert (command.what, command.accepted) == ("start fill", True)
    # The next process has it from the log, and a cancelled one no more.
    async with running(plan) as daemon:
        keeper = daemon.keepers["barrel"]
        await seen(board, keeper, OVER_USUAL_MARK, Zone.MIDDLE)
        await entered("away", *days(1, 5), "--cancel", "--config", config)
        await seen(board, keeper, OVER_USUAL_MARK, Zone.FULL)


async def test_an_absence_opens_nothing_against_a_hold_and_short_water_is_an_alarm_earlier(
    board: Board, config: Path
) -> None:
    async with running(plan_of(config)) as daemon:
        keeper = daemon.keepers["barrel"]
        board.hello()
        await greeted(board)
        await seen(board, keeper, BETWEEN, Zone.MIDDLE)
        keeper.command(Hold(asyncio.get_running_loop().time(), "test", on=True))
        # The water lasts four days at least: enough at other times, too little for an absence of six.
        keeper.inform(Outlook(cover=Cover(20.0, 6.0, 4.0, 8.0, 3.0, 9.0)))
        await until(
            lambda: keeper.station.outlook.cover is not None,
            "the forecast never counted",
            meanwhile=partial(at, board, keeper, BETWEEN),
        )

        def alarms() -> set[object]:
            return {record.alarm for record in keeper.station.state.alarms}

        assert Advisory.COVER_SHORT not in alarms()
        await entered("away", *days(0, 5), "--config", config)
        await until(
            lambda: Advisory.COVER_SHORT in alarms(),
            "no alarm about short water",
            meanwhile=partial(at, board, keeper, BETWEEN),
        )
        assert keeper.station.away
        assert keeper.station.state.flow is Flow.SHUT
        assert phase(keeper) is Phase.IDLE
    assert commands(config.parent / "log.db", SENDER) == []


async def test_the_return_brings_one_report_of_litres_levels_and_alarms(board: Board, config: Path) -> None:
    log = config.parent / "log.db"
    absence = Absence(*days(-4, -1))

    def reading(stamp: Stamp, hours: int, litres: float) -> ReadingRow:
        return ReadingRow(replace(stamp, utc_ms=stamp.utc_ms - hours * 3_600_000), "barrel", volume_l=litres)

    makers = [
        partial(reading, hours=hours, litres=litres)
        for hours, litres in ((72, 120.0), (60, 90.0), (50, 95.0))
    ]
    add(log, *makers, lambda stamp: EventRow(stamp, "", "away", absence.sentence()))  # type: ignore[arg-type]
    plan = plan_of(config)
    for _ in range(2):
        async with running(plan) as daemon:
            keeper = daemon.keepers["barrel"]
            await until(
                lambda: bool(events(log, "away-report")),
                "no report of the absence",
                meanwhile=partial(at, board, keeper, BETWEEN),
            )
    (sentence,) = events(log, "away-report")
    assert sentence == (
        f"Away from {absence.first} to {absence.last}, 4 days. barrel: 0 fills made 0.0 L, 25.0 L were used, "
        "and the lowest volume was 90.0 L. There was no alarm."
    )
    assert " ".join((await entered("away", *days(-4, -1), "--config", config)).split()) == sentence


async def test_cold_product_raises_the_alarm_about_frost_and_the_rule_of_its_range_keeps_the_valve_shut(
    board: Board, config: Path
) -> None:
    async with running(plan_of(config)) as daemon:
        keeper = daemon.keepers["barrel"]
        board.hello()
        await greeted(board)
        number = iter(range(1, 1_000_000))

        def cold() -> None:
            sequence = next(number)
            board.say(
                Reading(
                    sequence, Flow.SHUT, product_us=20.0, product_c=0.3 + 0.001 * (sequence % 100),
                    feed_us=600.0, feed_c=15.0, level_sensor=0.3, switch_low=True, switch_full=False,
                    switch_overflow=False, pulses=0,
                )
            )  # fmt: skip

        await until(lambda: has_readings(config.parent / "log.db"), "no reading was logged", meanwhile=cold)
        await entered("away", *days(20, 21), "--config", config)
        await until(
            lambda: Advisory.FROST in {record.alarm for record in keeper.station.state.alarms},
            "no alarm about frost",
            meanwhile=cold,
        )
        await until(
            lambda: (
                (now := keeper.station.decision) is not None
                and now.missing == (Permissive.TEMPERATURE_IN_RANGE,)
            ),
            "the temperature alone never kept the valve shut, although the level is under the refill mark",
            meanwhile=cold,
        )
        assert keeper.station.state.flow is Flow.SHUT


async def test_the_round_is_shown_with_its_reservoir_and_sent_once_a_day_from_six_o_clock(
    board: Board, config: Path
) -> None:
    plan, log = plan_of(config, TRAY), config.parent / "log.db"
    assert plan.stations[0].identity.has_trays
    async with running(plan) as daemon:
        keeper = daemon.keepers["barrel"]
        await until(
            lambda: keeper.station.due is not None,
            "the round never reached the reservoir",
            meanwhile=partial(at, board, keeper, BETWEEN),
        )
        view = keeper.station.view()
        assert (view.round_date, view.round_trays, view.round_summary) == (
            TODAY.isoformat(), 1, "Bog: measure it.",
        )  # fmt: skip
        said: list[StationEvent] = []
        hour = [5]

        def wall() -> float:
            later = TODAY + timedelta(days=30)
            return datetime(later.year, later.month, later.day, hour[0], tzinfo=UTC).timestamp()

        garden = GardenKeeper(plan, log, {"barrel": keeper}, said.append, wall)
        await garden.look(False)
        assert said == []
        hour[0] = 6
        await garden.look(False)
        await garden.look(True)
        (event,) = said
        assert (event.reservoir, event.id) == ("barrel", "round")
        assert event.sentence.startswith(f"The watering round of {TODAY + timedelta(days=30)}: Bog: ")


async def test_a_weather_file_that_is_wrong_is_reported_once_and_ends_nothing(
    board: Board, config: Path, tmp_path: Path
) -> None:
    (tmp_path / "weather.csv").write_text("date,highest_c\n", "utf-8")
    plan = plan_of(config, TRAY + '[weather]\nlatitude_deg = 48\nfile = "weather.csv"\n')
    async with running(plan) as daemon:
        keeper = daemon.keepers["barrel"]
        said: list[StationEvent] = []
        garden = GardenKeeper(plan, config.parent / "log.db", {"barrel": keeper}, said.append)
        await garden.look(True)
        await garden.look(True)
        assert ["lowest_c" in event.sentence for event in said] == [True]
        (tmp_path / "weather.csv").write_text("date,highest_c,lowest_c\n", "utf-8")
        await garden.look(True)
        assert keeper.station is daemon.keepers["barrel"].station
