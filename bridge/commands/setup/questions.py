"""The questions of ``clearwell setup`` in their order, and when each is asked. Core.

A question is asked only if the answers before it call for it. An answer is checked when it is given, so that
a mistake is one sentence about one question, at the terminal as in a file of answers.
"""

import difflib
import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace

from bridge.commands.setup import readers
from bridge.commands.setup.answers import Answers, LevelKind, Page, ShapeKind, UnitSystem
from bridge.commands.setup.readers import NONE, UNKNOWN, Reader
from bridge.errors import InputError
from bridge.purifier.cartridge import Kind

LONGEST_TEXT = 200


def _always(_: Answers) -> bool:
    return True


@dataclass(frozen=True, slots=True)
class Question:
    """One question."""

    key: str
    title: str
    """What it is about, as a heading at the terminal."""
    text: str
    """The question, and what a right answer looks like."""
    read: Reader
    example: str
    """A right answer, for the template."""
    applies: Callable[[Answers], bool] = _always
    default: str | None = None
    choices: Mapping[str, str] = field(default_factory=dict)
    """The words that can be answered, each explained."""

    def answered(self, answers: Answers, text: str) -> Answers:
        """Take an answer.

        Raises:
            InputError: The answer is wrong; the sentence has the key, the answer and what would be right.
        """
        text = text.strip()
        try:
            if not text:
                raise InputError(f"the answer is empty; write one such as '{self.example}'")
            if not text.isprintable() or len(text) > LONGEST_TEXT:
                raise InputError(f"write one line of at most {LONGEST_TEXT} characters without control signs")
            known = self.read(answers, text)
        except InputError as error:
            shown = text if len(text) <= 60 else f"{text[:57]}..."
            raise InputError(f"{self.key} = {shown!r}: {error}") from None
        return replace(known, typed={**answers.typed, self.key: text})


def next_question(answers: Answers) -> Question | None:
    """Return the first question that is still open, or None if all are answered."""
    return next((one for one in QUESTIONS if one.key not in answers.typed and one.applies(answers)), None)


def sensor_measured(answers: Answers) -> bool:
    """Return whether the level sensor's readings are the person's own, and not the defaults."""
    guessed = {one.key: one.default for one in QUESTIONS if one.key in answers.reads}
    return any(answers.typed[key] != default for key, default in guessed.items())


def from_values(values: Mapping[str, object]) -> Answers:
    """Take the answers of a file. A question with a default may be left out.

    Raises:
        InputError: An answer is missing, wrong or not asked for; the sentence says what would be right.
    """
    keys = [one.key for one in QUESTIONS]
    for key in values:
        if key not in keys:
            near = difflib.get_close_matches(key, keys, 1, 0.7)
            meant = f"did you mean '{near[0]}'?" if near else "'clearwell setup --template' lists all keys"
            raise InputError(f"{key}: is not one of the questions; {meant}")
    answers = Answers()
    while (question := next_question(answers)) is not None:
        key = question.key
        if key not in values and question.default is None:
            raise InputError(f'{key}: the answer is missing; write one such as {key} = "{question.example}"')
        answers = question.answered(answers, _as_text(key, values.get(key, question.default)))
    for key in values:
        if key not in answers.typed:
            raise InputError(f"{key} = {values[key]!r}: is not asked beside the other answers; leave it out")
    return answers


def _as_text(key: str, value: object) -> str:
    match value:
        case bool():
            return "yes" if value else "no"
        case int():
            return str(value)
        case float() if math.isfinite(value):
            # Never with an exponent, which no tape measure shows.
            return f"{value:.12f}".rstrip("0").rstrip(".")
        case str():
            return value
        case _:
            raise InputError(f"{key} = {value!r}: write a text in quotation marks or a number")


def _has_broker(answers: Answers) -> bool:
    return answers.broker is not None


def _shaped(*kinds: ShapeKind) -> Callable[[Answers], bool]:
    return lambda answers: answers.shape in kinds


_LEVEL, _SIZE, _PURIFIER = "How the level is measured", "The size inside", "The purifier"
_BROKER = "The hub's broker"

QUESTIONS: tuple[Question, ...] = (
    Question(
        "units",
        "Your units",
        "A length without a unit then counts in cm or in inches. You can always write a unit, such as "
        "58 cm or 22 1/2 in.",
        lambda a, t: replace(a, units=readers.word(UnitSystem, t)),
        "metric",
        default="metric",
        choices={"metric": "cm, litres, °C", "us": "inches, US gallons, °F"},
    ),
    Question(
        "name",
        "The reservoir's name",
        "The name that you will see.",
        readers.name,
        "Barrel",
        default="Barrel",
    ),
    Question(
        "shape",
        "The reservoir's shape",
        "Take the nearest one.",
        lambda a, t: replace(a, shape=readers.word(ShapeKind, t)),
        "upright-cylinder",
        choices={
            "upright-cylinder": "round, with straight sides, standing",
            "tapered-barrel": "round, wider or narrower at the top, standing",
            "horizontal-cylinder": "round, lying on its side",
            "box": "a rectangular tank",
        },
    ),
    Question(
        "diameter",
        _SIZE,
        "The inside diameter. Measure inside, from wall to wall.",
        readers.size("diameter"),
        "58 cm",
        applies=_shaped(ShapeKind.UPRIGHT, ShapeKind.LYING),
    ),
    Question(
        "bottom_diameter",
        _SIZE,
        "The inside diameter at the bottom.",
        readers.size("bottom_diameter"),
        "50 cm",
        applies=_shaped(ShapeKind.TAPERED),
    ),
    Question(
        "top_diameter",
        _SIZE,
        "The inside diameter at the brim.",
        readers.size("top_diameter"),
        "60 cm",
        applies=_shaped(ShapeKind.TAPERED),
    ),
    Question(
        "length",
        _SIZE,
        "The inside length.",
        readers.size("length"),
        "120 cm",
        applies=_shaped(ShapeKind.LYING, ShapeKind.BOX),
    ),
    Question(
        "width", _SIZE, "The inside width.", readers.size("width"), "60 cm", applies=_shaped(ShapeKind.BOX)
    ),
    Question(
        "height",
        _SIZE,
        "The inside height, from the bottom to the brim or to the overflow pipe.",
        readers.size("height"),
        "76 cm",
        applies=_shaped(ShapeKind.UPRIGHT, ShapeKind.TAPERED, ShapeKind.BOX),
    ),
    Question(
        "level",
        _LEVEL,
        "A level sensor gives a volume. Two level switches give a zone only.",
        lambda a, t: replace(a, level=readers.word(LevelKind, t)),
        "sensor",
        choices={
            "sensor": "a level sensor: a float on a resistor or a chain of reed contacts",
            "switches": "a low and a full level switch",
            "both": "a level sensor and both switches",
        },
    ),
    Question(
        "sensor_low",
        _LEVEL,
        "The depth of water at which the level sensor's float leaves its lower stop.",
        readers.depth("sensor_low"),
        "4 cm",
        applies=lambda a: a.has_sensor,
    ),
    Question(
        "sensor_high",
        _LEVEL,
        "The depth of water at which the float reaches its upper stop.",
        readers.depth("sensor_high"),
        "74 cm",
        applies=lambda a: a.has_sensor,
    ),
    Question(
        "sensor_low_reads",
        _LEVEL,
        "The reading at the lower stop, as a fraction of the sensor's whole electrical range. "
        "The default is a guess until you measure it.",
        readers.sensor_reading("sensor_low_reads", None),
        "0.05",
        applies=lambda a: a.has_sensor,
        default="0.05",
    ),
    Question(
        "sensor_high_reads",
        _LEVEL,
        "The reading at the upper stop, as a fraction. The default is a guess until you measure it.",
        readers.sensor_reading("sensor_high_reads", "sensor_low_reads"),
        "0.95",
        applies=lambda a: a.has_sensor,
        default="0.95",
    ),
    Question(
        "start_at",
        "When a fill starts",
        "The depth of water at or below which a fill starts. With switches, it is the height of the "
        "low switch above the bottom.",
        readers.depth("start_at"),
        "38 cm",
    ),
    Question(
        "end_at",
        "When a fill ends",
        "The depth of water at which a fill ends, below the overflow pipe. With switches, it is the "
        "height of the full switch above the bottom.",
        readers.depth("end_at"),
        "68 cm",
    ),
    Question(
        "overflow_float",
        "The overflow float",
        "Is an overflow float fitted, in series with the valve? One valve and one float are not a safety "
        "system: in any case fit an overflow pipe to a drain.",
        lambda a, t: replace(a, overflow_float=readers.yes(t)),
        "yes",
        choices={"yes": "the float shuts the valve without any software", "no": "none is fitted"},
    ),
    Question(
        "purifier",
        _PURIFIER,
        "Between it and the drinking-water supply fit an air gap or the device that the local plumbing "
        "code asks for.",
        lambda a, t: replace(a, purifier=readers.word(Kind, t)),
        "exchange",
        choices={
            "exchange": "a cartridge of ion-exchange resin",
            "membrane": "reverse osmosis",
            "distiller": "a still",
        },
    ),
    Question(
        "rating",
        _PURIFIER,
        "Its rating, for the forecast. Exchange: the water that it treats (1200 L, 300 us-gal) or the solids "
        "that it takes up (300 grain). Membrane: its rejection (96 %). Distiller: the scale that may "
        "gather (200 g). If no label has it: unknown.",
        readers.rating,
        "1200 L",
        default=UNKNOWN,
    ),
    Question(
        "rating_of",
        _PURIFIER,
        "The feed for which the label states that volume, such as 250 ppm or 15 gpg.",
        readers.rating_of,
        "250 ppm",
        applies=lambda a: a.treats_l is not None,
    ),
    Question(
        "delivers",
        _PURIFIER,
        "The most water that it delivers, such as 2 L/min or 75 us-gal/day. A distiller or a membrane "
        "has it on the label.",
        readers.delivers,
        "2 L/min",
    ),
    Question(
        "drain_valve",
        _PURIFIER,
        "Can a second valve send a rinse to the drain? Its line ends in an air gap above the waste pipe.",
        lambda a, t: replace(a, drain_valve=readers.yes(t)),
        "no",
        default="no",
    ),
    Question(
        "feed",
        "The feed",
        "The dissolved solids of the water before the purifier, such as 320 ppm, 640 uS/cm or 18 gpg. "
        "If a feed cell measures them: cell. If you do not know: unknown.",
        readers.feed,
        "320 ppm",
        default=UNKNOWN,
    ),
    Question(
        "feed_cell",
        "The feed",
        "The constant on the feed cell's label, in 1/cm.",
        lambda a, t: replace(a, feed_cell_per_cm=readers.cell_constant(a, t)),
        "1.0",
        applies=lambda a: a.feed_cell,
    ),
    Question(
        "product_cell",
        "The product cell",
        "The constant on the label of the conductivity cell after the purifier, in 1/cm. Cells for pure "
        "water often have 0.1 (common practice, no source).",
        lambda a, t: replace(a, product_cell_per_cm=readers.cell_constant(a, t)),
        "0.1",
    ),
    Question(
        "pulses",
        "The flow sensor",
        "The pulses for each litre on the flow sensor's label, such as 450 per L. Without one: none.",
        readers.pulses,
        "450 per L",
        default=NONE,
    ),
    Question(
        "port",
        "The controller's port",
        "The serial port of the controller. Valve, controller and probes run on 12 V or 24 V; mains work is "
        "for a licensed electrician.",
        readers.port,
        "/dev/serial/by-id/usb-controller-if00",
    ),
    Question(
        "broker",
        _BROKER,
        "The name or address of the hub's MQTT broker, such as localhost or broker.local:8883. "
        "Without a hub: none.",
        readers.broker,
        "localhost",
    ),
    Question(
        "broker_login",
        _BROKER,
        "Does the broker need a user name and a password? They are never asked here and never in the file.",
        lambda a, t: replace(a, broker_login=readers.yes(t)),
        "no",
        applies=_has_broker,
        default="no",
    ),
    Question(
        "broker_encryption",
        _BROKER,
        "Does the broker need an encrypted connection (TLS)? Answer no, yes (an authority that this machine "
        "trusts), or the path of the authority's certificate.",
        readers.encryption,
        "no",
        applies=_has_broker,
        default="no",
    ),
    Question(
        "page",
        "The page for browsers",
        "Who may open a page that shows all of this in a browser? It is not encrypted, so keep it to a "
        "network that you trust, and never open it to the internet.",
        lambda a, t: replace(a, page=readers.word(Page, t)),
        "no",
        default="no",
        choices={
            "no": "no page",
            "this-machine": "a page for a browser on this machine",
            "home-network": "a page for every browser on the home network",
        },
    ),
)
