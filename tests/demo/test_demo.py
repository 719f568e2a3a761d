"""The demo shows every chapter, and its summary is true."""

import json

import pytest

from bridge.demo import CHAPTERS, Observed, Story, lines
from bridge.display.terminal import WIDTH
from bridge.mqtt.topics import Layout
from tests.brokers import AnyBroker
from tests.running import Finished, clearwell_process

pytestmark = pytest.mark.slow


def _demo(*arguments: str) -> Finished:
    return clearwell_process("demo", *arguments)


def _judge(done: Finished) -> None:
    assert done.status == 0, done.stdout[-2000:] + done.stderr
    told = [line.split(" > ", 1)[1] for line in done.stdout.splitlines() if " > " in line]
    assert told == [chapter.title for chapter in CHAPTERS]
    truth = json.loads(done.stdout.split("the simulated water: ", 1)[1].splitlines()[0])
    assert truth["valve"] == "shut"
    assert truth["spilled_l"] == 0
    assert truth["filled_l"] > 80
    assert truth["reservoir_ppm"] < 25


def test_the_demo_runs_completely_on_the_embedded_broker() -> None:
    _judge(_demo("--headless"))


async def test_the_demo_runs_completely_on_a_running_broker(mosquitto: AnyBroker) -> None:
    _judge(_demo("--headless", "--broker", f"{mosquitto.host}:{mosquitto.port}"))


@pytest.mark.parametrize("where", ["nonsense", "localhost:", ":1883", "localhost:x", "localhost:99999"])
def test_an_invalid_address_is_refused(where: str) -> None:
    done = _demo("--headless", "--broker", where)
    assert done.status == 2
    assert "HOST:PORT" in done.stderr
    assert "Traceback" not in done.stderr


def test_a_broker_that_does_not_run_is_reported() -> None:
    done = _demo("--headless", "--broker", "127.0.0.1:1")
    assert done.status == 1
    assert "127.0.0.1:1" in done.stderr
    assert "Traceback" not in done.stderr


def test_a_demo_without_its_trip_is_not_complete() -> None:
    """The demo waits for each chapter in turn, and skips none."""
    story = Story()
    layout = Layout("b", "B")
    kept = {"homie/5/b/$state": "ready", "homie/5/b-r/$state": "ready", "homie/5/b-r/$description": "{}"}
    assert story.advance(Observed.of(layout, "r", kept, ())) is CHAPTERS[0]
    kept |= {"homie/5/b/$state": "disconnected", "homie/5/b-r/health/first-out": "none"}
    assert story.advance(Observed.of(layout, "r", kept, ())) is None
    assert not story.over
    assert story.waits_for == CHAPTERS[1].title


def test_the_view_fits_into_eighty_columns_without_any_known_value() -> None:
    layout = Layout("b", "B")
    for kept in (
        {},
        {f"homie/5/b-r/{path}": "9" * 60 for path in ("product/ppm", "reservoir/volume", "valve/missing")},
    ):
        shown = lines(Observed.of(layout, "r", kept, ()), ["9" * 200], "a chapter", rows=24)
        assert "waiting: a chapter" in shown
        assert len(shown) <= 24
        assert max(len(line) for line in shown) <= WIDTH
