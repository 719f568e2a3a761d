"""The texts of ``clearwell setup``: the configuration, a template for answers, and the next steps. Core."""

import json
import math
import shlex
import string
import textwrap
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from bridge.commands.setup.answers import Answers, Page, ShapeKind, UnitSystem
from bridge.commands.setup.questions import QUESTIONS, Question, sensor_measured
from bridge.commands.setup.readers import FACTOR
from bridge.estimate.verdict import LIMIT_PPM, TARGET_PPM
from bridge.purifier.cartridge import Kind
from bridge.units import LITRES_PER_US_GALLON, plain

_COMMENT_AT = 40
_SLOWER = {Kind.EXCHANGE: 2.0, Kind.MEMBRANE: 3.0, Kind.DISTILLER: 2.0}
"""How many times slower than on its label a purifier may be: cold water, low pressure, fouling. A rule of
our own."""
_SHORTEST_FILL_S = 1800
_NO_RISE_S = 900
_RINSE_MEMBRANE_S = 600

CAUTIONS = """\
# Cautions
#
# - Low voltage only. Valve, controller and probes run on 12 V or 24 V from a certified supply. Anything on
#   the mains is work for a licensed electrician.
# - Backflow: fit an air gap, or the device that the local plumbing code asks for, between the purifier and
#   the drinking-water supply.
# - Flooding: fit an overflow pipe to a drain. One valve and one float are not a safety system.
# - A conductivity reading never shows that water is safe to drink: it says nothing of microbes, pesticides,
#   lead or solvents. Roof water can carry roof treatments that no conductivity probe sees.
"""


def configuration(answers: Answers) -> str:
    """Write the configuration: every value with what was typed, and what a newcomer changes next."""
    parts = [_head(), *_display(answers), *_hub(answers), *_page(answers), *_reservoir(answers)]
    return "\n".join(parts) + "\n"


def capacity(answers: Answers) -> str:
    """State how much the reservoir holds, so that a wrong size is seen at once."""
    litres = answers.tank().capacity_l
    if answers.units is UnitSystem.US:
        return f"Brim-full it holds {plain(litres / LITRES_PER_US_GALLON)} US gal."
    return f"Brim-full it holds {plain(litres)} L."


# --- the tables of the configuration ----------------------------------------------------------------


def _head() -> str:
    return (
        "# Written by clearwell setup. Change what you like, then have it checked: clearwell check FILE\n"
        "# Every key that is not here has a default, which clearwell check prints.\n"
        f"\n{CAUTIONS}"
    )


def _line(key: str, value: str | float | bool, comment: str = "") -> str:
    match value:
        case bool():
            written = "true" if value else "false"
        case int():
            written = str(value)
        case str():
            # What JSON writes for a printable text is a basic string of TOML too.
            written = json.dumps(value, ensure_ascii=False)
        case _:
            written = f"{value:.6g}"
    text = f"{key} = {written}"
    return f"{text:<{_COMMENT_AT - 1}} # {comment}" if comment else text


def _table(name: str, comment: str = "") -> str:
    return f"{f'[{name}]':<{_COMMENT_AT - 1}} # {comment}" if comment else f"[{name}]"


def _display(answers: Answers) -> Iterator[str]:
    us = answers.units is UnitSystem.US
    yield _table("display", "the units that people see; stored values stay in L and °C")
    yield _line("volume", "US gal" if us else "L")
    yield _line("temperature", "°F" if us else "°C")
    yield ""


def _hub(answers: Answers) -> Iterator[str]:
    if answers.broker is None:
        yield "# Without a table [hub] there is no hub; the valve is guarded all the same."
        yield '# [hub]\n# host = "localhost"\n'
        return
    host, port = answers.broker
    yield "[hub]"
    yield _line("host", host, "the MQTT broker")
    if port is not None:
        yield _line("port", port)
    yield "# User name and password never stand here. They come from CLEARWELL_HUB__USERNAME and"
    yield "# CLEARWELL_HUB__PASSWORD, or from the files hub_username and hub_password in the directory that"
    yield "# the key secrets_dir names, above all tables."
    if answers.broker_tls:
        yield ""
        yield _table("hub.tls", "an empty table trusts the authorities of this machine")
        if answers.broker_ca is not None:
            yield _line("ca_file", answers.broker_ca)
    yield ""


def _page(answers: Answers) -> Iterator[str]:
    if answers.page is Page.NO:
        return
    host = "127.0.0.1" if answers.page is Page.HERE else "0.0.0.0"
    yield _table("page", "without encryption: never open it to the internet")
    yield _line("host", host, "127.0.0.1: this machine alone; 0.0.0.0: every network")
    yield '# names = ["garden-pi.local"]           # the host names that browsers use; others are refused'
    yield "# The token that lets people act comes from CLEARWELL_PAGE__TOKEN, never from this file."
    yield ""


def _reservoir(answers: Answers) -> Iterator[str]:
    at = f"reservoir.{answers.ident}"
    yield f"[{at}]"
    yield _line("name", answers.name)
    yield _line("port", answers.port, "the controller")
    yield _line("factor", FACTOR, "the scale of every ppm here: ppm for each µS/cm at 25 °C")
    yield "# rain_ppm = 10                         # if rain falls in; measure yours"
    yield ""
    yield from _shape(answers, at)
    yield from _level(answers, at)
    yield _table(f"{at}.product")
    yield _line(
        "cell_constant_per_cm",
        answers.product_cell_per_cm,
        f"{answers.typed['product_cell']}; a calibration takes precedence",
    )
    yield ""
    if answers.feed_cell:
        yield _table(f"{at}.feed")
        yield _line("cell_constant_per_cm", answers.feed_cell_per_cm, answers.typed["feed_cell"])
        yield ""
    yield from _purifier(answers, at)
    yield from _guard(answers, at)


def _shape(answers: Answers, at: str) -> Iterator[str]:
    sizes = {
        ShapeKind.UPRIGHT: ("diameter", "height"),
        ShapeKind.TAPERED: ("bottom_diameter", "top_diameter", "height"),
        ShapeKind.LYING: ("diameter", "length"),
        ShapeKind.BOX: ("length", "width", "height"),
    }[answers.shape]
    yield _table(f"{at}.shape", f"inside dimensions. {capacity(answers)}")
    yield _line("kind", answers.shape.value)
    for key in sizes:
        yield _line(f"{key}_m", answers.metres[key], _length(answers, key))
    yield ""


def _length(answers: Answers, key: str) -> str:
    """Return a length as it was typed, with the unit that a bare number has."""
    typed = answers.typed[key]
    unit = "in" if answers.units is UnitSystem.US else "cm"
    return f"{typed} {unit}" if typed[-1] in string.digits else typed


def _level(answers: Answers, at: str) -> Iterator[str]:
    starts, ends = "a fill starts at or below", "a fill ends at"
    if answers.has_switches:
        starts, ends = "the low switch is at", "the full switch is at"
    yield _table(f"{at}.level", "fractions of the capacity")
    starts, ends = f"{starts} {_length(answers, 'start_at')}", f"{ends} {_length(answers, 'end_at')}"
    yield _line("refill_fraction", answers.fraction_at("start_at"), starts)
    yield _line("fill_fraction", answers.fraction_at("end_at"), ends)
    if answers.has_switches:
        yield _line("low_switch", True)
        yield _line("full_switch", True)
    yield _line("overflow_float", answers.overflow_float, "fit an overflow pipe in any case")
    yield ""
    if not answers.has_sensor:
        return
    low_m, high_m = answers.metres["sensor_low"], answers.metres["sensor_high"]
    low, high = answers.reads["sensor_low_reads"], answers.reads["sensor_high_reads"]
    yield _table(f"{at}.level.sensor", "pairs of electrical fraction and depth in metres")
    if not sensor_measured(answers):
        yield "# The two fractions are a guess. Measure yours, and add pairs between them."
    yield (
        f"table = [[{low:.6g}, {low_m:.6g}], [{high:.6g}, {high_m:.6g}]]   "
        f"# at {_length(answers, 'sensor_low')} and {_length(answers, 'sensor_high')}"
    )
    yield "# step_m = 0.010                        # the distance of two reed contacts, in a chain of them"
    yield ""


def _purifier(answers: Answers, at: str) -> Iterator[str]:
    typed = answers.typed
    yield _table(f"{at}.purifier")
    yield _line("flow_max_l_min", answers.delivers_l_min, f"{typed['delivers']}, the most that it delivers")
    yield _line("drain_valve", answers.drain_valve)
    if answers.feed_ppm is not None:
        yield _line("feed_ppm", answers.feed_ppm, f"{typed['feed']}; no cell measures it")
    elif not answers.feed_cell:
        yield "# feed_ppm = 320                        # measure yours with a pocket meter"
    if answers.pulses_per_l is not None:
        yield _line("litres_per_pulse", 1.0 / answers.pulses_per_l, f"{typed['pulses']} on the flow sensor")
    yield ""
    rating = {
        "treats": answers.treats_l,
        "treats_of": answers.treats_of_ppm,
        "takes_up": answers.takes_up_g,
        "scale": answers.scale_g,
        "rejection_percent": answers.rejection_percent,
    }
    if all(value is None for value in rating.values()):
        yield f"# Without a rating there is no forecast. The table is [{at}.cartridge] with"
        yield f'# kind = "{answers.purifier.value}"; clearwell manual configuration has its keys.'
        yield ""
        return
    units = {"treats": "litres", "treats_of": "ppm", "takes_up": "grams", "scale": "grams"}
    yield _table(f"{at}.cartridge", "for the forecast")
    yield _line("kind", answers.purifier.value)
    for key, value in rating.items():
        if value is not None:
            source = typed["rating_of" if key == "treats_of" else "rating"]
            yield _line(key, value, f"{units.get(key, 'per cent')}; typed: {source}")
    yield ""


def _guard(answers: Answers, at: str) -> Iterator[str]:
    slowest_l_s = answers.delivers_l_min / 60.0 / _SLOWER[answers.purifier]
    capacity_l = answers.tank().capacity_l
    fill_s = max(answers.fraction_at("end_at") * capacity_l / slowest_l_s, _SHORTEST_FILL_S)
    # The guard waits for a rise of 1/200 of the capacity; the time is that of twice as much.
    no_rise_s = max(0.01 * capacity_l / slowest_l_s, _NO_RISE_S)
    yield _table(f"{at}.guard")
    yield _line("limit_ppm", LIMIT_PPM, "at or over it, water is unfit (common practice, no source)")
    yield _line("target_ppm", TARGET_PPM, "under it, water is better (common practice, no source)")
    comment = f"a fill from empty, {_SLOWER[answers.purifier]:g} times slower than on the label"
    if not answers.has_sensor and answers.pulses_per_l is None:
        comment = "the only bound of a fill: set it a little above the time of a fill, once you know it"
    yield _line("fill_max_s", _whole_minutes(fill_s), comment)
    yield _line(
        "no_rise_after_s", _whole_minutes(no_rise_s), "water flows and the level stays: shut after this"
    )
    if answers.purifier is Kind.MEMBRANE and answers.drain_valve:
        yield _line("rinse_max_s", _RINSE_MEMBRANE_S, "after an idle night a membrane needs minutes")


def _whole_minutes(seconds: float) -> int:
    return 60 * math.ceil(seconds / 60.0)


_WIDTH = 80
TEMPLATE_HEAD = """\
# Answers for: clearwell setup --answers FILE
# Change them to yours. A line that begins with # is an answer that is not
# asked beside these ones.
# Low-voltage wiring only; mains work is for a licensed electrician. Fit an
# overflow pipe to a drain, and backflow protection as the local plumbing code
# asks. A conductivity reading never shows that water is safe to drink.
"""


def template() -> str:
    """Write a file of answers that is right as it stands, with the questions as comments."""
    answers, lines = Answers(), [TEMPLATE_HEAD]
    for question in QUESTIONS:
        asked = question.applies(answers)
        lines += [*_wrapped(f"{question.title}. {question.text}"), *_choices(question)]
        lines += [f"{'' if asked else '# '}{question.key} = {json.dumps(question.example)}", ""]
        if asked:
            answers = question.answered(answers, question.example)
    return "\n".join(lines)


def _wrapped(text: str) -> list[str]:
    return textwrap.wrap(text, _WIDTH, initial_indent="# ", subsequent_indent="# ", break_on_hyphens=False)


def _choices(question: Question) -> list[str]:
    return [
        line
        for word, meaning in question.choices.items()
        for line in textwrap.wrap(
            f"{word}: {meaning}", _WIDTH, initial_indent="#   ", subsequent_indent="#     "
        )
    ]


@dataclass(frozen=True, slots=True)
class Step:
    """Something that a newcomer does next."""

    what: str
    command: str = ""
    """The line to type, if there is one."""


def next_steps(answers: Answers, out: Path) -> list[Step]:
    """List what a newcomer does next, in order."""
    shown = shlex.quote(str(out))
    steps = [Step("Read the file, and compare each value with your reservoir and your labels.")]
    if answers.has_sensor and not sensor_measured(answers):
        steps.append(
            Step(
                "Measure the level sensor's two fractions and correct them in the file: until then the level "
                "is a guess, and only the overflow float and the overflow pipe prevent a flood."
            )
        )
    steps.append(Step("Let the program explain what it will do.", f"clearwell check {shown}"))
    if answers.broker_login:
        steps.append(
            Step(
                "Put the broker's user name and password into the files hub_username and hub_password of a "
                "directory that only you can read, and name it in the key secrets_dir, above all tables; or "
                "set CLEARWELL_HUB__USERNAME and CLEARWELL_HUB__PASSWORD."
            )
        )
    if answers.page is not Page.NO:
        steps.append(
            Step(
                "Install the page in the clone, if it is not installed yet. It only shows, until you give it "
                "a token of 16 characters or more in CLEARWELL_PAGE__TOKEN.",
                "~/clearwell/bin/pip install '.[page]'",
            )
        )
    steps += [
        Step(
            "Fit the overflow pipe to a drain and the backflow protection that the local plumbing code asks "
            "for. Shut the hand valve before the purifier."
        ),
        Step("Plug the controller in and test it.", f"clearwell commission --config {shown}"),
        Step("Calibrate the product cell in a standard solution.", f"clearwell calibrate --config {shown}"),
        Step("Only then open the hand valve, and start.", f"clearwell run --config {shown}"),
        Step("If something does not work, look for the cause.", f"clearwell doctor {shown}"),
    ]
    return steps
