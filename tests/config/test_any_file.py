"""Any change to an example is accepted and explained, or refused in sentences that name the file."""

import copy
import json
import re
import tempfile
import tomllib
from collections.abc import Iterator
from datetime import date, datetime, time
from pathlib import Path
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from tests.running import clearwell

CONFIG = Path(__file__).parents[2] / "config"
EXAMPLES = {file.stem: tomllib.loads(file.read_text("utf-8")) for file in sorted(CONFIG.glob("*.toml"))}
MANUAL = CONFIG.parent / "bridge" / "manual" / "configuration.md"
KEYS = sorted(set(re.findall(r"`(\w+)`", MANUAL.read_text("utf-8"))))
"""The keys and words of the manual."""

TEXTS = st.text(st.characters(exclude_categories=("Cs", "Cc")), max_size=12)
NUMBERS = st.integers() | st.floats() | st.sampled_from([0, 1, -1, 0.5, 1e-300, 1e300, 2**70])
SCALARS = NUMBERS | TEXTS | st.booleans() | st.dates() | st.times() | st.datetimes() | st.sampled_from(KEYS)
NAMES = st.sampled_from(KEYS) | TEXTS
VALUES = st.recursive(
    SCALARS, lambda one: st.lists(one, max_size=3) | st.dictionaries(NAMES, one, max_size=3)
)
Place = tuple[dict[str, Any], str]


def toml(value: object) -> str:
    """Writes a value as TOML 1.0, tables inline."""
    match value:
        case bool():
            return str(value).lower()
        case str():
            return json.dumps(value, ensure_ascii=False)
        case datetime() | date() | time():
            return value.isoformat()
        case list():
            return f"[{', '.join(map(toml, value))}]"
        case dict():
            return f"{{{', '.join(f'{toml(key)} = {toml(one)}' for key, one in value.items())}}}"
        case _:
            return repr(value)


def places(table: dict[str, Any]) -> Iterator[Place]:
    """Yields each key with the table that it stands in."""
    for key, value in table.items():
        yield table, key
        if isinstance(value, dict):
            yield from places(value)


@st.composite
def changed(draw: st.DrawFn) -> dict[str, Any]:
    """An example with one to three changes: a value replaced, a key left out, a key added."""
    written = copy.deepcopy(EXAMPLES[draw(st.sampled_from(sorted(EXAMPLES)))])
    for _ in range(draw(st.integers(1, 3))):
        table, key = draw(st.sampled_from(list(places(written)) or [(written, "bridge")]))
        match draw(st.sampled_from(["replace", "leave out", "add"])):
            case "replace":
                table[key] = draw(VALUES)
            case "leave out":
                table.pop(key, None)
            case _:
                table[draw(NAMES)] = draw(VALUES)
    return written


@given(changed())
@settings(max_examples=40)
def test_any_change_to_an_example_is_explained_or_refused_in_sentences(written: dict[str, Any]) -> None:
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "clearwell.toml"
        file.write_text("".join(f"{toml(key)} = {toml(value)}\n" for key, value in written.items()), "utf-8")
        done = clearwell("check", file)
    assert "Traceback" not in done.stderr
    if done.status == 0:
        assert done.stdout.startswith(f"{file} is right.")
    else:
        assert (done.status, done.stdout) == (2, "")
        assert str(file) in done.stderr
