"""Resources of the bridge: memory, start, many reservoirs, the disk."""

import os
import subprocess
import sys
import time
from pathlib import Path

from tests.benchmarks.feed import Feed
from tests.benchmarks.figures import Result, left_out, repeated
from tests.benchmarks.history_file import grown
from tests.benchmarks.programs import ROOT
from tests.benchmarks.stage import Stage, cpu_per_reading_us

HOUR_S = 3600.0
WEEK_H = 168
MANY = 64


def start(stage: Stage) -> list[Result]:
    """Measures from the start of the process to the first lease, while the controller sends.

    The lease is the first visible decision on the wire. In this case the first reading allows a rinse.
    """
    seconds: list[float] = []
    with stage.boards() as (board,):
        for _ in range(stage.times(9, 3)):
            board.forget()
            with stage.bridge([board]) as one:
                Feed([board], 50.0).run(20.0, until=lambda: b"lease" in board.heard)
                seconds.append(time.perf_counter() - one.began)
    return [repeated("start", "start of the process to the first guarded decision", seconds, "s", most=1.0)]


def many(stage: Stage) -> list[Result]:
    """Measures CPU time at one reading a second each, with 1 to 64 reservoirs."""
    share = 0.0
    for count in (1, 4, 16, MANY) if stage.scale > 0.5 else (1, MANY):
        with stage.boards(count) as boards, stage.bridge(boards) as one:
            feed = Feed(boards, 1.0)
            stage.opened(one, feed, 60.0)
            # At the start the bridge publishes everything once.
            feed.run(stage.span(6.0, 4.0))
            each_us = cpu_per_reading_us(one, feed, stage.span(10.0, 4.0))
            stage.series.setdefault("CPU for each reading, µs, by reservoirs", []).append((count, each_us))
            memory_mib = one.memory_mib()
            stage.series.setdefault("memory after seconds, MiB, by reservoirs", []).append(
                (count, memory_mib)
            )
            share = count * each_us / 1e4
    return [
        repeated(
            "many",
            f"{MANY} reservoirs at 1/s: share of one core",
            [share],
            "%",
            most=12.0,
            note=f"{each_us:.0f} µs for each reading",
        ),
    ]


def memory(stage: Stage) -> list[Result]:
    """Measures resident memory with fast clocks: over an hour of readings, with its blocks and roll-ups.

    A bridge with one reservoir and a bridge with many run at the same time. The first one covers three times
    as many hours.
    """
    slow, fast = 28.0, 84.0
    hour_s = stage.span(HOUR_S / slow, 8.0)
    with stage.boards(1 + MANY) as boards:
        single, crowd = boards[:1], boards[1:]
        with (
            stage.bridge(single, speed=fast) as one,
            stage.bridge(crowd, speed=slow, bridge_id="crowd") as lots,
        ):
            feed = Feed(boards, [fast] + [slow] * MANY)
            feed.run(hour_s * slow / fast)
            after_hour = one.memory_mib()
            feed.run(hour_s - hour_s * slow / fast)
            # The bridge writes the block of an hour at the next hour, so the measurement starts later.
            feed.run(stage.span(10.0))
            hours = fast * (hour_s + stage.span(10.0)) / HOUR_S
            single_mib, crowd_mib, peak = one.memory_mib(), lots.memory_mib(), lots.memory_mib("VmHWM")
    growth = single_mib - after_hour
    whole = stage.scale >= 1.0
    note = "" if whole else "a short look: less than an hour"
    return [
        Result(
            "memory",
            "resident after an hour of readings",
            after_hour,
            "MiB",
            "at most 64",
            after_hour <= 64.0,
            note=note,
        ),
        Result(
            "memory",
            f"resident after {hours:.1f} hours",
            single_mib,
            "MiB",
            "at most 66",
            single_mib <= 66.0,
            note=f"{growth:.1f} MiB more than after an hour",
        ),
        Result(
            "memory",
            f"{MANY} reservoirs over one, after an hour",
            crowd_mib - single_mib,
            "MiB",
            "at most 64",
            crowd_mib - single_mib <= 64.0,
            note=f"peak {peak:.1f} MiB; {feed.late} readings late. {note}",
        ),
    ]


def week(stage: Stage) -> list[Result]:
    """Measures resident memory over a week of readings, with clocks that make it half an hour."""
    speed = 2.0 * WEEK_H
    with stage.boards() as boards, stage.bridge(boards, speed=speed) as one:
        feed = Feed(boards, speed)
        feed.run(stage.span(HOUR_S / speed))
        after_hour = one.memory_mib()
        feed.run(stage.span((WEEK_H - 1) * HOUR_S / speed))
        after_week = one.memory_mib()
    return [
        Result(
            "week",
            "resident after a week of readings",
            after_week,
            "MiB",
            "at most 66",
            after_week <= 66.0,
            note=f"{after_hour:.1f} MiB after an hour; {feed.late} of {feed.sent} readings late",
        ),
    ]


def disk(stage: Stage) -> list[Result]:
    """Measures the disk writes of a day at one reading a second, with real station, log policy and tables.

    The kernel counts the writes of the process (write_bytes in /proc/PID/io, in blocks of 4096 bytes).
    """
    hours = max(2, round(24 * stage.scale))
    where = stage.directory()
    worker = Path(__file__).with_name("a_day.py")
    done = subprocess.run(
        [sys.executable, str(worker), str(where), str(hours)], cwd=ROOT, capture_output=True, text=True
    )
    if done.returncode:
        raise RuntimeError(done.stderr[-800:])
    octets, commits = (int(word) for word in done.stdout.split())
    if not octets:
        return [left_out("disk", "bytes a day", f"{where} is not on a disk")]
    mib_a_day = octets * 24 / hours / 2**20
    note = f"{hours} hours, {commits} commits; the file system's journal is not in it"
    return [
        Result(
            "disk", "bytes written a day at 1/s", mib_a_day, "MiB", "at most 50", mib_a_day <= 50.0, note=note
        ),
    ]


def history(stage: Stage) -> list[Result]:
    """Measures the size of a log of five years, and a read of one month, against a log of three months."""
    from bridge.commands.main import COMMANDS

    ages = (("three months", 90 * 24), ("one year", 8766), ("five years", 5 * 8766))
    commands = {"export": ["--format", "csv", "--force", "--from", "30d"]}
    if "report" in COMMANDS:
        commands["report"] = _report_options()
    size_mib = 0.0
    seconds: dict[tuple[str, str], list[float]] = {}
    logs: dict[str, Path] = {}
    for name, hours in ages:
        logs[name] = stage.directory() / "log.db"
        grown(logs[name], hours=hours)
        size_mib = logs[name].stat().st_size / 2**20
        stage.series.setdefault("size of the log, MiB, by years", []).append((hours / 8766, size_mib))
    for _ in range(stage.times(5)):
        for name, log in logs.items():
            for command, options in commands.items():
                out = log.with_name(f"out.{'csv' if command == 'export' else 'html'}")
                seconds.setdefault((command, name), []).append(_child_cpu_s(command, log, out, options))
    results = [repeated("history", "size of a log of five years", [size_mib], "MiB", most=400.0)]
    for command in commands:
        old, young = seconds[command, "five years"], seconds[command, "three months"]
        ratios = [a / b for a, b in zip(old, young, strict=True)]
        note = f"{min(old):.2f} s of CPU against {min(young):.2f} s"
        results.append(
            repeated(
                "history",
                f"{command} of a month, five years against three months",
                ratios,
                "x",
                most=1.2,
                note=note,
            )
        )
        results.append(repeated("history", f"{command} of a month out of five years", old, "s CPU", most=1.0))
        for name, hours in ages:
            curve = stage.series.setdefault(f"{command} of a month, s of CPU, by years of log", [])
            curve.append((hours / 8766, min(seconds[command, name])))
    if "report" not in commands:
        results.append(left_out("history", "report of a month", "there is no command report yet"))
    results += _start_on(stage, logs)
    return results


def _start_on(stage: Stage, logs: dict[str, Path]) -> list[Result]:
    """Measures the start of the bridge on logs of every age."""
    for name, log in logs.items():
        with stage.boards() as (board,), stage.bridge([board], directory=log.parent) as one:
            Feed([board], 50.0).run(20.0, until=lambda: b"lease" in board.heard)
            took_s = time.perf_counter() - one.began
        years = {"three months": 90 / 365.25, "one year": 1.0, "five years": 5.0}[name]
        stage.series.setdefault("start, s, by years of log", []).append((years, took_s))
    first, last = (stage.series["start, s, by years of log"][i][1] for i in (0, -1))
    return [repeated("history", "start on five years against three months", [last / first], "x")]


def _report_options() -> list[str]:
    return ["--from", "30d", "--force"]


def _child_cpu_s(command: str, log: Path, out: Path, options: list[str]) -> float:
    before = os.times()
    done = subprocess.run(
        [sys.executable, "-m", "bridge", command, "--log", str(log), "--out", str(out), *options],
        cwd=ROOT,
        capture_output=True,
        text=True,
    )
    if done.returncode:
        raise RuntimeError(f"{command}: {done.stderr[-600:]}")
    after = os.times()
    return after.children_user + after.children_system - before.children_user - before.children_system
