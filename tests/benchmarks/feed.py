"""Sends readings at a steady rate and measures the time of each answer: one thread, one ``select``."""

import contextlib
import heapq
import select
import time
from collections.abc import Callable, Sequence
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from tests.benchmarks.board import GOOD_US, Board
from tests.benchmarks.programs import HOST

LOST_S = 2.0
"""An answer that takes longer counts as lost."""


class Listener:
    """A subscriber on the broker, read by the same ``select`` as the lines."""

    def __init__(self, port: int, *topics: str) -> None:
        self.on_message: Callable[[str, bytes | bytearray], None] = lambda topic, payload: None
        self.client = mqtt.Client(CallbackAPIVersion.VERSION2)
        self.client.on_message = lambda client, data, message: self.on_message(message.topic, message.payload)
        self.client.connect(HOST, port)
        while not self.client.is_connected():
            self.turn(0.1)
        for topic in topics:
            self.client.subscribe(topic, 0)

    def turn(self, patience_s: float = 0.0) -> None:
        """Reads the pending input, and waits at most this long for it."""
        socket = self.client.socket()
        if socket is not None and select.select([socket], [], [], patience_s)[0]:
            self.read()
        self.client.loop_misc()

    def read(self) -> None:
        """Reads the received bytes, and sends the packets that they require."""
        self.client.loop_read()
        while self.client.want_write():
            self.client.loop_write()

    def send(self, topic: str, payload: str) -> None:
        self.client.publish(topic, payload, qos=1)

    def close(self) -> None:
        self.client.disconnect()


class Trial:
    """Sends one bad reading at a time, on one board after the other.

    A board gets its bad reading after its valve has been open for a while, so that the effects of the
    previous one are over, and at least ``apart_s`` after the previous one. ``ready`` returns whether a board
    may have its next bad reading; ``after`` is called after its answer.
    """

    def __init__(
        self,
        bad_us: float,
        *,
        open_readings: int = 10,
        apart_s: float = 0.0,
        ready: Callable[[int], bool] = lambda board: True,
        after: Callable[[int], None] = lambda board: None,
    ) -> None:
        self.bad_us, self.open_readings, self._apart_s = bad_us, open_readings, apart_s
        self._newest_at = 0.0
        self.ready, self.after = ready, after
        self.close_s: list[float] = []
        """From the last byte of the bad frame to the first byte of the close."""
        self.lost = 0
        self.sent_at: dict[int, float] = {}

    def due(self, board: int, now: float) -> bool:
        """Returns whether the board is due for its bad reading, which the caller must then send."""
        if now - self._newest_at < self._apart_s or not self.ready(board):
            return False
        self._newest_at = now
        return True


class Feed:
    """Feeds boards, each ``per_s`` times a second (one rate, or a rate for each), at even intervals."""

    def __init__(
        self, boards: Sequence[Board], per_s: float | Sequence[float], listener: Listener | None = None
    ) -> None:
        self.boards, self.listener = boards, listener
        rates = [per_s] * len(boards) if isinstance(per_s, float | int) else per_s
        self._periods_s = [1.0 / rate for rate in rates]
        self.late = 0
        """Readings that were sent more than half a period late: the feeder itself was held up."""
        self.sent = 0
        self._open = [0] * len(boards)

    def run(
        self,
        seconds: float,
        trial: Trial | None = None,
        until: Callable[[], bool] | None = None,
    ) -> float:
        """Feeds for this time, or until a condition holds. Returns the time taken."""
        boards, periods_s = self.boards, self._periods_s
        if trial is not None:
            # An answer cut off by the end of an earlier run is not a lost answer.
            trial.sent_at.clear()
        began = time.perf_counter()
        due = [(began + periods_s[i] * i / len(boards), i) for i in range(len(boards))]
        heapq.heapify(due)
        files: list[Any] = [board.master for board in boards]
        number_of = {board.master: i for i, board in enumerate(boards)}
        misc_at = began
        while True:
            now = time.perf_counter()
            if now - began >= seconds or (until is not None and until()):
                return now - began
            socket = None if self.listener is None else self.listener.client.socket()
            watched = files if socket is None else [*files, socket]
            for one in select.select(watched, [], [], max(0.0, due[0][0] - now))[0]:
                if isinstance(one, int):
                    self._hear(number_of[one], trial)
                else:
                    assert self.listener is not None
                    self.listener.read()
            now = time.perf_counter()
            while due[0][0] <= now:
                at, i = due[0]
                heapq.heapreplace(due, (at + periods_s[i], i))
                self.late += now - at > 0.5 * periods_s[i]
                self._send(i, trial)
            if self.listener is not None and now - misc_at > 1.0:
                misc_at = now
                self.listener.client.loop_misc()

    def _send(self, i: int, trial: Trial | None) -> None:
        board = self.boards[i]
        self._open[i] = self._open[i] + 1 if board.flow == "fill" else 0
        self.sent += 1
        if trial is None:
            board.send(GOOD_US)
            return
        sent_at = trial.sent_at.get(i)
        if sent_at is not None:
            if time.perf_counter() - sent_at > LOST_S:
                trial.lost += 1
                del trial.sent_at[i]
            board.send(GOOD_US)
        elif self._open[i] > trial.open_readings and trial.due(i, time.perf_counter()):
            self._open[i] = 0
            board.hear()
            board.heard.clear()
            # The time is taken before the write, since a reader can wake before the call returns.
            trial.sent_at[i] = time.perf_counter()
            board.send(trial.bad_us)
        else:
            board.send(GOOD_US)

    def _hear(self, i: int, trial: Trial | None) -> None:
        with contextlib.suppress(OSError):
            found = self.boards[i].hear()
            at = time.perf_counter()
            if trial is not None and i in trial.sent_at and b"close" in found:
                trial.close_s.append(at - trial.sent_at.pop(i))
                trial.after(i)
