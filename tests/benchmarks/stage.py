"""The environment of every case: time limits, a broker, fresh directories and boards."""

import contextlib
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

from tests.benchmarks import programs
from tests.benchmarks.board import Board
from tests.benchmarks.feed import Feed
from tests.benchmarks.programs import Broker, Program

START_S = 30.0
WARM_S = 2.0


@dataclass(slots=True)
class Stage:
    """The environment of the cases.

    ``scale`` is the factor of every span: 1 is the whole run, less is a short trial.
    """

    broker: Broker
    root: Path
    scale: float = 1.0
    series: dict[str, list[tuple[float, float]]] = field(default_factory=dict)
    """How costs grow, for the plot: pairs of size and cost under the name of the curve."""

    def span(self, seconds: float, least: float = 2.0) -> float:
        return max(least, seconds * self.scale)

    def times(self, count: int, least: int = 1) -> int:
        return max(least, round(count * self.scale))

    def directory(self) -> Path:
        return Path(tempfile.mkdtemp(dir=self.root))

    @contextlib.contextmanager
    def boards(self, count: int = 1) -> Iterator[list[Board]]:
        made = [Board(seed) for seed in range(1, count + 1)]
        try:
            yield made
        finally:
            for board in made:
                board.close()

    @contextlib.contextmanager
    def bridge(
        self, boards: list[Board], *, cores: set[int] | None = None, extra: str = "", hub: bool = True,
        directory: Path | None = None, speed: float | None = None, bridge_id: str = "bench",
    ) -> Iterator[Program]:  # fmt: skip
        """Starts the bridge on these boards, with a log of its own."""
        where = directory or self.directory()
        config = programs.configuration(
            where,
            [board.path for board in boards],
            self.broker if hub else None,
            extra,
            bridge_id=bridge_id,
        )
        one = programs.bridge(config, cores, speed=speed)
        try:
            yield one
        finally:
            one.stop()

    @contextlib.contextmanager
    def script(self, board: Board) -> Iterator[Program]:
        one = programs.script(board.path, self.broker)
        try:
            yield one
        finally:
            one.stop()

    @contextlib.contextmanager
    def either(self, which: str, board: Board) -> Iterator[Program]:
        """Starts the bridge or the script on the same line, and waits until its valve is open."""
        board.forget()
        with self.script(board) if which == "script" else self.bridge([board]) as one:
            self.opened(one, Feed([board], 50.0))
            yield one

    def opened(self, one: Program, feed: Feed, patience_s: float = START_S) -> None:
        """Feeds until every valve is open, and a little longer."""
        feed.run(patience_s, until=lambda: all(board.flow == "fill" for board in feed.boards))
        if not all(board.flow == "fill" for board in feed.boards):
            raise RuntimeError("no fill began" if one.alive() else f"the program ended: {one.said()}")
        feed.run(self.span(WARM_S, 0.5))


def cpu_per_reading_us(one: Program, feed: Feed, seconds: float) -> float:
    """Returns the CPU time of all threads for each reading that was fed in a span."""
    cpu_s, sent = one.cpu_s, feed.sent
    feed.run(seconds)
    return (one.cpu_s - cpu_s) / (feed.sent - sent) * 1e6
