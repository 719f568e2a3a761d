"""Latency of valve and alarm: the bridge against the script and, under load, against itself."""

import contextlib
import importlib.util
import os
import statistics
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

from tests.benchmarks.board import GROSS_US, OVER_US, Board
from tests.benchmarks.feed import Feed, Listener, Trial
from tests.benchmarks.figures import Result, left_out, percentile, repeated
from tests.benchmarks.history_file import grown
from tests.benchmarks.programs import HOST, ROOT, Program
from tests.benchmarks.stage import Stage, cpu_per_reading_us
from tests.brokers import free_port

SIDES = ("script", "bridge")
DEVICE = "homie/5/bench-barrel-0"
SETTLED_S = 0.1
"""The wait after the effects of the last trial: else they would be timed too."""
WIRE_SHARE_MS = 2.1
"""A fifth of the time that a frame of 120 bytes takes on a line of 115,200 bit/s."""


def _ratios(pairs: dict[str, list[float]]) -> list[float]:
    return [b / s for s, b in zip(pairs["script"], pairs["bridge"], strict=True)]


def trip(stage: Stage) -> list[Result]:
    """Measures bad reading to close, and CPU for each reading, at 50 readings a second, in alternation."""
    middle: dict[str, list[float]] = {side: [] for side in SIDES}
    cpu_us: dict[str, list[float]] = {side: [] for side in SIDES}
    every: dict[str, list[float]] = {side: [] for side in SIDES}
    lost = 0
    with stage.boards() as (board,):
        for _ in range(stage.times(3)):
            for side in SIDES:
                with stage.either(side, board) as one:
                    feed = Feed([board], 50.0)
                    cpu_us[side].append(cpu_per_reading_us(one, feed, stage.span(5.0)))
                    trial = Trial(OVER_US)
                    feed.run(stage.span(14.0), trial)
                    lost += trial.lost
                    middle[side].append(statistics.median(trial.close_s))
                    every[side] += trial.close_s
    tails = {side: percentile(every[side], 0.99) for side in SIDES}
    ratio_p99 = tails["bridge"] / tails["script"]
    parts = {
        f"{side}_{name}_us": 1e6 * value
        for side in SIDES
        for name, value in (
            ("median", statistics.median(every[side])),
            ("p99", tails[side]),
            ("worst", max(every[side])),
        )
    }
    note = (
        f"bridge {parts['bridge_median_us']:.0f}/{parts['bridge_p99_us']:.0f} µs, script "
        f"{parts['script_median_us']:.0f}/{parts['script_p99_us']:.0f} µs; {lost} lost"
    )
    cpu = {f"{side}_us": statistics.median(cpu_us[side]) for side in SIDES}
    return [
        repeated(
            "trip",
            "bad frame to close, median, 50/s",
            _ratios(middle),
            "x script",
            most=2.0,
            note=note,
            parts=parts,
        ),
        Result(
            "trip",
            "bad frame to close, 99th percentile, 50/s",
            ratio_p99,
            "x script",
            "at most 2",
            ratio_p99 <= 2.0,
            samples=min(len(every[side]) for side in SIDES),
        ),
        Result(
            "trip",
            "bad frame to close, 99th percentile, absolute",
            1e3 * tails["bridge"],
            "ms",
            "under 2.1",
            1e3 * tails["bridge"] < WIRE_SHARE_MS,
            samples=len(every["bridge"]),
            note="a fifth of the time of a 120-byte frame on the wire",
        ),
        repeated(
            "trip",
            "CPU for each reading, 50/s",
            _ratios(cpu_us),
            "x script",
            most=1.3,
            note=f"bridge {cpu['bridge_us']:.0f} µs, script {cpu['script_us']:.0f} µs",
            parts=cpu,
        ),
    ]


def cpu(stage: Stage) -> list[Result]:
    """Measures CPU for each reading at the rate of a real controller, one a second, in alternation."""
    cpu_us: dict[str, list[float]] = {side: [] for side in SIDES}
    with stage.boards() as (board,):
        for _ in range(stage.times(2)):
            for side in SIDES:
                with stage.either(side, board) as one:
                    feed = Feed([board], 1.0)
                    feed.run(2.0)
                    cpu_us[side].append(cpu_per_reading_us(one, feed, stage.span(12.0, 4.0)))
    parts = {f"{side}_us": statistics.median(cpu_us[side]) for side in SIDES}
    note = f"bridge {parts['bridge_us']:.0f} µs, script {parts['script_us']:.0f} µs"
    return [
        repeated(
            "cpu",
            "CPU at 1/s: share of one core",
            [one / 1e4 for one in cpu_us["bridge"]],
            "%",
            most=0.25,
            note=note,
            parts=parts,
        ),
        repeated("cpu", "CPU for each reading, 1/s", _ratios(cpu_us), "x script"),
    ]


class _Alarm:
    """Measures the time from a gross reading to the alarm at a subscriber, and clears the alarm."""

    def __init__(self, board: Board, listener: Listener, *, bridge: bool) -> None:
        self.seconds: list[float] = []
        self._board, self._listener, self._bridge = board, listener, bridge
        self._phase, self._alert = "", ""
        self._phase_at = 0.0
        self._waits = False
        self._asked_at = 0.0
        self.trial = Trial(GROSS_US, ready=self._ready, after=self._closed)
        listener.on_message = self._heard

    def _ready(self, board: int) -> bool:
        if self._waits and time.perf_counter() - self._asked_at > 2.0:
            self._clear()
        settled = time.perf_counter() - self._phase_at > SETTLED_S
        filling = self._phase == "fill" and settled and not self._alert
        ready = not self._waits and (filling or not self._bridge)
        if ready:
            self._waits, self._asked_at = True, time.perf_counter()
        return ready

    def _closed(self, board: int) -> None:
        pass

    def _heard(self, topic: str, payload: bytes | bytearray) -> None:
        now = time.perf_counter()
        if topic.endswith("/fill/phase"):
            self._phase, self._phase_at = payload.decode(), now
        elif topic.endswith("/$alert/product-over-limit"):
            self._alert = payload.decode()
            if not self._alert:
                self._waits = False
            elif self._waits:
                self.seconds.append(now - self._asked_at)
                self._clear()
        elif not self._bridge and b'"fit": false' in payload and self._waits:
            self.seconds.append(now - self._asked_at)
            self._waits = False

    def _clear(self) -> None:
        if not self._bridge:
            self._waits = False
            return
        self._asked_at = time.perf_counter()
        for path, payload in (
            ("product/retest", "10"),
            ("health/reset", "all"),
            ("health/acknowledge", "all"),
        ):
            self._listener.send(f"{DEVICE}/{path}/set", payload)


def _fsync_s(where: Path) -> float:
    """Writes and synchronises a small file repeatedly. Returns the 99th percentile, in seconds."""
    seconds = []
    with (where / "sync").open("wb", buffering=0) as file:
        for _ in range(200):
            file.write(bytes(4096))
            began = time.perf_counter()
            os.fdatasync(file.fileno())
            seconds.append(time.perf_counter() - began)
    return percentile(seconds, 0.99)


def alarm(stage: Stage) -> list[Result]:
    """Measures bad reading to alarm at a subscriber of mosquitto: ``$alert`` against the script's message."""
    every: dict[str, list[float]] = {side: [] for side in SIDES}
    medians: dict[str, list[float]] = {side: [] for side in SIDES}
    for _ in range(stage.times(2)):
        for side in SIDES:
            with stage.boards() as (board,), stage.either(side, board):
                listener = Listener(
                    stage.broker.port, f"{DEVICE}/$alert/+", f"{DEVICE}/fill/phase", "garden/barrel"
                )
                watch = _Alarm(board, listener, bridge=side == "bridge")
                Feed([board], 50.0, listener).run(stage.span(10.0, 3.0), watch.trial)
                listener.close()
                if not watch.seconds:
                    raise RuntimeError(f"the {side} raised no alarm")
                every[side] += watch.seconds
                medians[side].append(statistics.median(watch.seconds))
    tails = {side: percentile(every[side], 0.99) for side in SIDES}
    ratio = tails["bridge"] / tails["script"]
    sync_s = _fsync_s(stage.directory())
    limit_s = 3.0 * tails["script"] + sync_s
    note = ", ".join(
        f"{side} {1e3 * statistics.median(every[side]):.2f}/{1e3 * tails[side]:.2f} ms ({len(every[side])})"
        for side in SIDES
    )
    return [
        Result(
            "alarm",
            "bad frame to $alert, 99th percentile, the trip on disk first",
            1e3 * tails["bridge"],
            "ms",
            f"at most {1e3 * limit_s:.2f}",
            tails["bridge"] <= limit_s,
            samples=min(map(len, every.values())),
            note=f"{note}; {ratio:.2f} x script; one fsync {1e3 * sync_s:.2f} ms (99th percentile)",
            parts={f"{side}_ms": [1e3 * one for one in every[side]] for side in SIDES},
        ),
        repeated("alarm", "bad frame to $alert, median", _ratios(medians), "x script"),
    ]


def sixteen(stage: Stage) -> list[Result]:
    """Measures sixteen reservoirs at 50 readings a second each, with the whole bridge on one core."""
    core = {max(os.sched_getaffinity(0))}
    with stage.boards(16) as boards, stage.bridge(boards, cores=core) as one:
        feed = Feed(boards, 50.0)
        stage.opened(one, feed, 60.0)
        cpu_us = cpu_per_reading_us(one, feed, stage.span(5.0))
        trial = Trial(OVER_US, apart_s=0.4)
        feed.run(stage.span(20.0, 5.0), trial)
    tail_ms = 1e3 * percentile(trial.close_s, 0.99)
    note = (
        f"median {1e3 * statistics.median(trial.close_s):.2f} ms, worst {1e3 * max(trial.close_s):.1f} ms, "
        f"{trial.lost} lost, {cpu_us:.0f} µs CPU for each reading, {feed.late} readings sent late"
    )
    return [
        Result(
            "sixteen",
            "16 x 50/s on one core, 99th percentile",
            tail_ms,
            "ms",
            "under 5",
            tail_ms < 5.0,
            samples=len(trial.close_s),
            note=note,
        )
    ]


def loaded(stage: Stage) -> list[Result]:
    """Measures the bridge against itself: idle, and under disturbances."""
    found = [_broker_stopped(stage), _report_running(stage), _outbox_full(stage)]
    found.append(_page_clients(stage, 100))
    return found


def _against_quiet(
    stage: Stage,
    name: str,
    board: Board,
    one: Program,
    disturb: "contextlib.AbstractContextManager[None]",
) -> Result:
    feed = Feed([board], 50.0)
    quiet, upset = Trial(OVER_US), Trial(OVER_US)
    span_s = stage.span(15.0, 1.0)
    feed.run(span_s, quiet)
    with disturb:
        feed.run(1.0)
        feed.run(2 * span_s, upset)
    feed.run(1.0)
    feed.run(span_s, quiet)
    ratios = [percentile(upset.close_s, share) / percentile(quiet.close_s, share) for share in (0.5, 0.99)]
    note = (
        f"99th percentile; median {ratios[0]:.2f} x; quiet {1e6 * statistics.median(quiet.close_s):.0f}/"
        f"{1e6 * percentile(quiet.close_s, 0.99):.0f} µs; {quiet.lost + upset.lost} lost"
    )
    return Result(
        "loaded",
        name,
        ratios[1],
        "x quiet",
        "at most 2",
        ratios[1] <= 2.0,
        samples=len(upset.close_s),
        note=note,
        parts={"median_ratio": ratios[0]},
    )


def _broker_stopped(stage: Stage) -> Result:
    @contextlib.contextmanager
    def away() -> Iterator[None]:
        stage.broker.stop()
        try:
            yield
        finally:
            stage.broker.start()

    with stage.boards() as (board,), stage.either("bridge", board) as one:
        return _against_quiet(stage, "trip with the broker stopped", board, one, away())


def _report_running(stage: Stage) -> Result:
    where = stage.directory()
    log = where / "log.db"
    grown(log, hours=90 * 24)
    command = ["report", "--log", str(log), "--out", str(where / "out.html"), "--force", "--from", "30d"]
    told = "trip with a report of a month running"

    @contextlib.contextmanager
    def reporting() -> Iterator[None]:
        again = "import subprocess, sys\nwhile True: subprocess.run(sys.argv[1:], capture_output=True)"
        loop = subprocess.Popen(
            [sys.executable, "-c", again, sys.executable, "-m", "bridge", *command], cwd=ROOT
        )
        try:
            yield
        finally:
            loop.kill()
            loop.wait()

    with stage.boards() as (board,):
        board.forget()
        with stage.bridge([board], directory=where) as one:
            stage.opened(one, Feed([board], 50.0))
            return _against_quiet(stage, told, board, one, reporting())


def _outbox_full(stage: Stage) -> Result:
    """Measures a bridge that sends an outbox of two weeks, beside a bridge without one."""
    trials = {}
    waiting = 0
    with stage.boards() as (board,):
        for name, hours in (("empty", 0), ("full", 14 * 24)):
            where = stage.directory()
            if hours:
                waiting = grown(where / "log.db", hours=hours, outbox=True)
            board.forget()
            with stage.bridge([board], directory=where, extra="[log.outbox]\nlimit_mib = 1") as one:
                stage.opened(one, Feed([board], 50.0))
                trials[name] = Trial(OVER_US)
                Feed([board], 50.0).run(stage.span(30.0, 3.0), trials[name])
    quiet, full = trials["empty"].close_s, trials["full"].close_s
    ratios = [percentile(full, share) / percentile(quiet, share) for share in (0.5, 0.99)]
    note = f"99th percentile; median {ratios[0]:.2f} x; {waiting} readings waited and were being sent"
    return Result(
        "loaded",
        "trip with a full outbox",
        ratios[1],
        "x quiet",
        "at most 2",
        ratios[1] <= 2.0,
        samples=len(full),
        note=note,
        parts={"median_ratio": ratios[0]},
    )


def _page_clients(stage: Stage, count: int) -> Result:
    name = f"trip with {count} clients of the page"
    if importlib.util.find_spec("uvicorn") is None:
        return left_out("loaded", name, "the extra of the page is not installed")
    port = free_port()

    @contextlib.contextmanager
    def looking() -> Iterator[None]:
        clients = Path(__file__).with_name("page_clients.py")
        crowd = subprocess.Popen(
            [sys.executable, str(clients), HOST, str(port), str(count)], stdout=subprocess.PIPE, text=True
        )
        try:
            assert crowd.stdout is not None
            heard = crowd.stdout.readline().strip()
            if heard != f"{count} listen":
                raise RuntimeError(f"the page's clients: {heard or 'nobody listens'}")
            yield
        finally:
            crowd.kill()
            crowd.wait()

    with stage.boards() as (board,):
        board.forget()
        with stage.bridge([board], extra=f"[page]\nport = {port}") as one:
            stage.opened(one, Feed([board], 50.0))
            try:
                return _against_quiet(stage, name, board, one, looking())
            except RuntimeError as error:
                return left_out("loaded", name, str(error))
