"""The pages for the builder: their links, their pictures, and their agreement with the firmware."""

import re
import subprocess
import xml.etree.ElementTree as ElementTree
from pathlib import Path as File

import pytest

from bridge.protocol.messages import Feature
from tests.firmware.emulator import SOURCES, Build

NOTES = SOURCES.parent
PAGES = sorted(NOTES.rglob("*.md"))
WIRING = NOTES / "wiring"


def config(name: str) -> float:
    text = (SOURCES / "core" / "config.h").read_text("ascii")
    found = re.search(rf"^#define {name} ([0-9.]+)[fu]*", text, re.MULTILINE)
    assert found is not None, f"config.h does not define {name}"
    return float(found[1])


@pytest.mark.parametrize("page", PAGES, ids=lambda page: str(page.relative_to(NOTES)))
def test_every_link_and_picture_of_a_page_exists(page: File) -> None:
    for target in re.findall(r"\]\(([^)#]+)", page.read_text("utf-8")):
        if not target.startswith("http"):
            assert (page.parent / target).exists(), target


def test_every_picture_has_a_text_and_is_on_a_page() -> None:
    pictures = {picture.stem for picture in WIRING.glob("*.svg")}
    texts = {text.stem for text in (WIRING / "drawings").iterdir() if text.suffix in (".py", ".dot")}
    assert pictures == texts
    assert len(pictures) >= 10
    shown = "".join(page.read_text("utf-8") for page in PAGES)
    for name in pictures:
        assert f"{name}.svg" in shown, name
        root = ElementTree.parse(WIRING / f"{name}.svg").getroot()
        assert root.tag.endswith("svg")


def test_index_links_to_every_page() -> None:
    index = (NOTES / "README.md").read_text("utf-8")
    for page in PAGES:
        name = str(page.relative_to(NOTES))
        assert name == "README.md" or f"({name})" in index, name


def test_pages_have_the_values_of_the_firmware() -> None:
    cell = (WIRING / "cell.md").read_text("utf-8")
    assert [config(f"RANGE_{name}_OHM") for name in ("HIGH", "MIDDLE", "LOW")] == [1e6, 33e3, 1e3]
    for text in ("1 MΩ", "33 kΩ", "1 kΩ"):
        assert f"| {text} |" in cell
    assert f"Below {config('PRODUCT_LEAST_US')} µS" in cell
    assert f"above {config('CELL_MOST_US'):.0f} µS" in cell
    thermistor = (WIRING / "thermistor.md").read_text("utf-8")
    assert f"Below {config('THERMISTOR_SHORT_OHM'):.0f} Ω" in thermistor
    assert f"above {config('THERMISTOR_OPEN_OHM') / 1000:.0f} kΩ" in thermistor
    floats = (WIRING / "floats.md").read_text("utf-8")
    assert f"{config('SENDER_BOTTOM_OHM'):.0f} Ω empty" in floats
    assert f"{config('SENDER_TOP_OHM'):.0f} Ω full, with {config('SENDER_SERIES_OHM'):.0f} Ω" in floats
    assert f"waits {config('DEBOUNCE_MS'):.0f} ms" in floats
    valve = (WIRING / "valve.md").read_text("utf-8")
    volt = 5.0 / 1024 * (22 + 10) / 10
    low, good = (config(f"SUPPLY_{name}_STEPS") * volt for name in ("LOW", "GOOD"))
    assert f"below {low:.1f} V" in valve
    assert f"above {good:.1f} V" in valve
    options = (WIRING / "options.md").read_text("utf-8")
    assert f"keeps {config('CHANGE_PAUSE_MS'):.0f} ms" in options
    assert f"Everything is {sum(bit for bit in Feature)}" in options


def test_firmware_page_names_the_fuses_of_the_program(build: Build) -> None:
    dumped = subprocess.run(
        ["avr-objdump", "-s", "-j", ".fuse", str(build.elf)], capture_output=True, text=True, check=True
    ).stdout
    fuses = re.search(r"820000 (..)(..)(..)", dumped)
    assert fuses is not None
    low, high, extended = fuses.groups()
    page = (SOURCES / "README.md").read_text("utf-8")
    assert f"low `{low.upper()}`" in page
    assert f"high `{high.upper()}`" in page
    assert f"extended `{extended.upper()}`" in page
    # Data sheet of the chip, from memory: WDTON is bit 4 of the high byte, and 0 means programmed;
    # 100 in the lowest bits of the extended byte is a brown-out level of 4.3 V.
    assert not int(high, 16) & 0x10
    assert int(extended, 16) & 0b111 == 0b100


@pytest.mark.parametrize(
    ("page", "words"),
    [
        ("README.md", ("licensed electrician", "air gap", "safe to drink", "overflow")),
        ("wiring/valve.md", ("flooding", "overflow pipe", "plumbing code")),
        ("wiring/supply.md", ("residual-current", "licensed electrician")),
        ("commissioning.md", ("hand valve", "licensed electrician")),
        ("calibration.md", ("eye protection", "safe to drink", "chlorine")),
        ("proof-test.md", ("Signature", "float alone", "overflow pipe")),
    ],
)
def test_each_risk_has_its_caution_on_its_page(page: File, words: tuple[str, ...]) -> None:
    text = (NOTES / page).read_text("utf-8")
    assert "**Caution" in text
    for word in words:
        assert word in text, word
