"""What a newcomer reads besides the configuration: the template for answers, and the next steps. Core."""

import json
import shlex
import textwrap
from dataclasses import dataclass
from pathlib import Path

from bridge.commands.setup.answers import Answers, Page
from bridge.commands.setup.questions import QUESTIONS, Question, sensor_measured

_WIDTH = 110
TEMPLATE_HEAD = """\
# Answers for: clearwell setup --answers FILE
# Change them to yours. A line that begins with # is an answer that is not asked beside these ones.
# Low-voltage wiring only; mains work is for a licensed electrician. Fit an overflow pipe to a drain, and
# backflow protection as the local plumbing code asks. A conductivity reading never shows that water is safe
# to drink.
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
    return textwrap.wrap(text, _WIDTH, initial_indent="# ", subsequent_indent="# ")


def _choices(question: Question) -> list[str]:
    return [f"#   {word}: {meaning}" for word, meaning in question.choices.items()]


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
                "Install the page. It only shows, until you give it a token of 16 characters or more in "
                "CLEARWELL_PAGE__TOKEN.",
                "pip install '.[page]'",
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
