"""The strangers themselves: the controller reads the vectors of its page, and the checker finds faults."""

import json
import subprocess
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from tests.strangers.checker import Checker

VECTORS = Path(__file__).parents[2] / "firmware_notes" / "protocol-vectors.txt"
COMMANDS = ("lease", "drain", "close", "identify")


@dataclass
class Vector:
    """One group of the file of vectors."""

    name: str
    to: str = ""
    sent: bytes = b""
    want: list[str] = field(default_factory=list)


def vectors() -> list[Vector]:
    """Reads the file by section 10 of the page."""
    found: list[Vector] = []
    for line in VECTORS.read_text("ascii").splitlines():
        word, _, text = line.partition(": ")
        if not line or line.startswith("#"):
            continue
        if word == "name":
            found.append(Vector(text))
        elif word == "to":
            found[-1].to = text
        elif word == "send":
            found[-1].sent += text.encode().decode("unicode_escape").encode("latin-1")
        elif word == "want":
            found[-1].want.append(text)
    return found


TO_CONTROLLER = [one for one in vectors() if one.to == "controller"]


@pytest.mark.needs("gcc")
@pytest.mark.parametrize("vector", TO_CONTROLLER, ids=[one.name for one in TO_CONTROLLER])
def test_controller_reads_the_vectors(vector: Vector, program: Path) -> None:
    done = subprocess.run([program, "decode"], input=vector.sent, capture_output=True, check=True)
    assert done.stdout.decode().splitlines() == [one for one in vector.want if one.startswith(COMMANDS)]


PAGE = " ".join((VECTORS.parent / "protocol.md").read_text("utf-8").split())


@pytest.mark.parametrize(
    ("question", "answer"),
    [
        ("may a reading lack p or pt?", "every *must* field is there, `p` and `pt` too"),
        ("how far back is just seen?", "if it is the newest one so far or one of the 32768 before it"),
        ("does close empty the memory of duplicates?", "The memory of that number outlives a `close`"),
        ("how soon does identify want its answer?", "within 100 ms in answer to `identify`"),
        ("which resolution does a steady cell need?", "have at least four significant digits"),
        ("how does a coarse board say so?", "| `ps` |"),
        (
            "what does a decrease of n mean?",
            "a decrease without a `hello`, is a fault of the meter and no water",
        ),
    ],
)
def test_page_answers_what_the_author_of_a_controller_asks(question: str, answer: str) -> None:
    assert answer in PAGE, question


PROPERTIES = {
    "float": {"datatype": "float", "format": "0:"},
    "stepped": {"datatype": "integer", "format": "2:6:2"},
    "switch": {"datatype": "boolean"},
    "word": {"datatype": "enum", "format": "open,shut"},
    "list": {"datatype": "json", "format": '{"type": "array"}'},
    "event": {"datatype": "string", "retained": False},
    "since": {"datatype": "datetime"},
    "time": {"datatype": "duration"},
    "light": {"datatype": "color", "format": "rgb"},
}
GOOD: dict[str, object] = {"homie": "5.0", "version": 1, "nodes": {"n": {"properties": PROPERTIES}}}


def watched(change: Callable[[Checker], None] = lambda _: None) -> list[str]:
    """Lets a checker see a device that is right, and then a change. Returns the faults that it reports."""
    checker = Checker()
    sees(checker, "$state", "init")
    sees(checker, "$description", json.dumps(GOOD))
    for name, value in (
        ("float", "1.5e3"), ("stepped", "4"), ("switch", "true"), ("word", "shut"), ("list", "[]"),
        ("since", "2026-11-01T12:00:00Z"), ("time", "PT5M"), ("light", "rgb,0,255,10.5"),
    ):  # fmt: skip
        sees(checker, f"n/{name}", value)
    sees(checker, "n/event", "rings", retained=False, qos=0)
    sees(checker, "$log/warn", "a sentence", retained=False)
    sees(checker, "$alert/cold", "a sentence")
    sees(checker, "$state", "ready")
    change(checker)
    return [one["fault"] for one in checker.report()["deviations"]]


def sees(checker: Checker, topic: str, text: str | bytes, *, retained: bool = True, qos: int = 2) -> None:
    payload = text if isinstance(text, bytes) else text.encode()
    checker.see(f"homie/5/shed/{topic}", payload, retained=retained, qos=qos)


def test_checker_finds_nothing_at_a_device_that_is_right() -> None:
    assert watched() == []


@pytest.mark.parametrize(
    ("topic", "text"),
    [
        ("n/float", "nan"), ("n/float", "-1"), ("n/float", "1,5"), ("n/float", " 1"), ("n/float", "1e999"),
        ("n/stepped", "8"), ("n/stepped", "4.0"), ("n/switch", "TRUE"), ("n/word", "Open"), ("n/list", "{}"),
        ("n/list", "5"), ("n/since", "yesterday"), ("n/time", "5 min"), ("n/light", "rgb,256,0,0"),
        ("n/float", b"\xff"), ("n/float", b"\xef\xbb\xbf1"), ("n/float", b"\0"), ("n/other", "1"),
        ("other", "1"), ("n/float/$unit", "m"), ("$state", "alert"), ("$log/note", "a sentence"),
        ("$alert/Cold", "a sentence"),
        ("$description", json.dumps(GOOD | {"version": 2})), ("$state/more", "ready"), ("n/float", ""),
    ],
)  # fmt: skip
def test_checker_finds_a_wrong_message(topic: str, text: str | bytes) -> None:
    assert watched(lambda checker: sees(checker, topic, text, retained=not topic.startswith("$log"))) != []


@pytest.mark.parametrize(
    ("topic", "retained", "qos"),
    [
        ("$log/warn", True, 2), ("$alert/cold", False, 2), ("$state", False, 2), ("n/event", True, 0),
        ("n/event", False, 2), ("n/float", False, 2),
    ],
)  # fmt: skip
def test_checker_finds_a_wrong_flag(topic: str, retained: bool, qos: int) -> None:
    text = "ready" if topic == "$state" else "1"
    assert watched(lambda checker: sees(checker, topic, text, retained=retained, qos=qos)) != []


@pytest.mark.parametrize(
    "wrong",
    [
        {"homie": "4.0"}, {"homie": None}, {"version": "2"}, {"nodes": []}, {"children": ["x"]},
        {"root": "x"},
        {"colour": "red"}, {"nodes": {"N": {}}}, {"nodes": {"n": {"properties": {"p": {}}}}},
        {"nodes": {"n": {"properties": {"p": {"datatype": "enum"}}}}},
        {"nodes": {"n": {"properties": {"p": {"datatype": "enum", "format": "a,a"}}}}},
        {"nodes": {"n": {"properties": {"p": {"datatype": "float", "format": "5:1"}}}}},
        {"nodes": {"n": {"properties": {"p": {"datatype": "json", "format": "{"}}}}},
        {"nodes": {"n": {"properties": {"p": {"datatype": "string", "settable": "yes"}}}}},
    ],
)  # fmt: skip
def test_checker_finds_a_wrong_description(wrong: dict[str, object]) -> None:
    def describe(checker: Checker) -> None:
        sees(checker, "$state", "init")
        sees(checker, "$description", json.dumps({**GOOD, "version": 2, **wrong}))

    assert watched(describe) != []


def test_checker_finds_a_described_property_without_a_value() -> None:
    def change(checker: Checker, *, valued: bool) -> None:
        sees(checker, "$state", "init")
        more = {**PROPERTIES, "young": {"datatype": "float"}}
        nodes = {"n": {"properties": more}}
        sees(checker, "$description", json.dumps({**GOOD, "version": 2, "nodes": nodes}))
        if valued:
            sees(checker, "n/young", "1")
        sees(checker, "$state", "ready")

    assert watched(lambda checker: change(checker, valued=True)) == []
    assert watched(lambda checker: change(checker, valued=False)) != []


def test_checker_forgets_the_value_of_a_property_that_was_removed() -> None:
    def change(checker: Checker) -> None:
        fewer = {name: one for name, one in PROPERTIES.items() if name != "float"}
        for version, properties in ((2, fewer), (3, PROPERTIES)):
            sees(checker, "$state", "init")
            nodes = {"n": {"properties": properties}}
            sees(checker, "$description", json.dumps({**GOOD, "version": version, "nodes": nodes}))
            if version == 2:
                sees(checker, "n/float", "")
            sees(checker, "$state", "ready")

    assert any("n/float" in fault for fault in watched(change))


def test_checker_finds_a_target_that_is_not_used_for_every_update() -> None:
    assert watched(lambda checker: sees(checker, "n/float/$target", "1")) != []


def test_checker_finds_a_description_that_changes_without_a_higher_version() -> None:
    def change(checker: Checker) -> None:
        sees(checker, "$state", "init")
        sees(checker, "$description", json.dumps(GOOD | {"name": "Shed"}))

    assert watched(change) != []
