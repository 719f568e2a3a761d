"""Cost of computations: years in virtual time, and forecasts."""

import json
import os
import statistics
import subprocess
import sys
import time
from dataclasses import replace
from datetime import UTC, datetime, timedelta

from bridge.config.loading import load
from bridge.forecast.learner import Learner
from bridge.guard.model import Flow, Phase
from bridge.guard.state import begin
from bridge.protocol.messages import Reading
from bridge.purifier.cartridge import Load
from bridge.station.plan import StationPlan
from bridge.station.station import Station, Turn
from tests.benchmarks.figures import Result, repeated
from tests.benchmarks.programs import ROOT, configuration
from tests.benchmarks.stage import Stage

YEAR_S = 365.25 * 86_400


def simulate(stage: Stage) -> list[Result]:
    """Measures ``clearwell simulate`` with faults on one core, by its CPU time."""
    return [
        _simulated(stage, "whole keeper, log, forecast, relay", [], 50_000),
        _simulated(stage, "station alone", ["--station-only"], 200_000),
    ]


def _simulated(stage: Stage, what: str, options: list[str], least: float) -> Result:
    years = max(0.02, 0.05 * stage.scale)
    speeds = []
    for seed in range(stage.times(3)):
        before = os.times()
        done = subprocess.run(
            [
                sys.executable,
                "-m",
                "bridge",
                "simulate",
                "--years",
                str(years),
                "--faults",
                "--jobs",
                "1",
                "--seed",
                str(seed + 1),
                "--json",
                *options,
            ],
            cwd=ROOT,
            capture_output=True,
            text=True,
        )
        if done.returncode:
            raise RuntimeError(done.stderr[-600:] or done.stdout[-600:])
        json.loads(done.stdout)
        after = os.times()
        spent_s = after.children_user + after.children_system - before.children_user - before.children_system
        speeds.append(years * YEAR_S / spent_s)
    return repeated(
        "simulate",
        f"virtual time over CPU time, with faults: {what}",
        speeds,
        "x real time",
        least=least,
        note=f"{years:g} years each, start of the process in it",
    )


def forecast(stage: Stage) -> list[Result]:
    """Measures the forecast updates of a running cartridge, minute by minute through its fills."""
    file = configuration(stage.directory(), ["/dev/ttyS99"], None)
    file.write_text(file.read_text().replace("120000 l", "1200 l"))
    plan = load(file, {}).stations[0]
    looks: list[float] = []
    learner = Learner(plan, feed_ppm=320.0)
    when = datetime(2026, 4, 1, 9, 0, tzinfo=UTC)
    turn = _a_turn(plan)
    treated_l, now = 0.0, 0.0
    by_age: list[tuple[float, float]] = []
    for _ in range(max(8, round(48 * stage.scale))):
        of_fill = []
        for minute in range(20):
            treated_l, now, when = treated_l + 1.0, now + 60.0, when + timedelta(minutes=1)
            ends = minute == 19
            learner.observe(_at(turn, now, Load(treated_l, treated_l * 0.32), ends=ends))
            known, began = learner.outlook, time.thread_time_ns()
            learner.update(when)
            spent_ms = (time.thread_time_ns() - began) / 1e6
            if learner.outlook is not known:
                of_fill.append(spent_ms)
        looks += of_fill
        by_age.append((treated_l, statistics.median(of_fill)))
        when, now = when + timedelta(hours=18), now + 18 * 3600.0
    stage.series["forecast, ms of CPU, by litres treated"] = by_age
    worst = sorted(looks)[-max(1, len(looks) // 100)]
    note = f"median of {len(looks)} forecasts; 99th percentile {worst:.2f} ms"
    return [repeated("forecast", "one update", [statistics.median(looks)], "ms", most=2.0, note=note)]


def _a_turn(plan: StationPlan) -> Turn:
    """Returns a scan in the middle of a fill, from the real station."""
    turns: list[Turn] = []
    numbers = iter(range(1 << 30))
    station = Station(
        plan,
        send=lambda message: True,
        next_sequence=lambda: next(numbers) % 65536,
        now=0.0,
        on_turn=turns.append,
        state=begin(0.0),
    )
    for second in range(1, 40):
        station.receive(
            Reading(
                second,
                Flow.TO_RESERVOIR if second > 2 else Flow.SHUT,
                product_us=140.0 + second % 3,
                product_c=17.0 + 0.01 * (second % 5),
                feed_us=540.0 + second % 3,
                feed_c=17.0,
                level_sensor=0.5,
                switch_overflow=False,
                pulses=second * 7,
            ),
            float(second),
        )
    assert turns[-1].state.phase is Phase.FILL
    assert turns[-1].state.flow is Flow.TO_RESERVOIR
    return turns[-1]


def _at(turn: Turn, now: float, load: Load, *, ends: bool) -> Turn:
    memory = replace(turn.memory, inventory=replace(turn.memory.inventory, load=load))
    state = replace(turn.state, phase=Phase.IDLE, flow=Flow.SHUT) if ends else turn.state
    return replace(turn, now=now, memory=memory, state=state)
