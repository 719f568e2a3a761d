"""``clearwell setup``: asks a newcomer, and writes a configuration that ``clearwell check`` accepts."""

import os
import tempfile
import textwrap
from pathlib import Path
from typing import TYPE_CHECKING

import click

from bridge.errors import ClearwellError, InputError

if TYPE_CHECKING:
    from bridge.commands.setup.answers import Answers
    from bridge.commands.setup.look import FoundBroker
    from bridge.commands.setup.questions import Question

WIDTH = 78
INDENT = "   "
INTRODUCTION = (
    "This asks about fifteen things and writes a configuration. Press Ctrl-C to stop; nothing is written "
    "until the end. An answer in [brackets] is taken if you press Enter."
)
CAUTION = """\
Caution. Low-voltage wiring only; mains work is for a licensed electrician. Fit an overflow pipe to a drain, \
and backflow protection as the local plumbing code asks. A conductivity reading never shows that water is \
safe to drink."""


@click.command("setup")
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    default=Path("clearwell.toml"),
    show_default=True,
    help="The configuration to write.",
)
@click.option("--force", is_flag=True, help="Replace the file if it is there already.")
@click.option(
    "--answers", "answers_file", type=click.Path(path_type=Path), help="Take the answers from this TOML file."
)
@click.option("--template", "show_template", is_flag=True, help="Print a file of answers to change, and end.")
def command(out: Path, force: bool, answers_file: Path | None, show_template: bool) -> None:
    """Ask about your reservoir, purifier and hub, and write a configuration with comments.

    Serial ports and a broker of this machine are found and offered. Lengths can be typed in cm or inches,
    volumes in litres or US gallons. Nothing is sent to the controller, and no valve moves. With --answers
    nothing is asked; a missing or wrong answer ends with status 2 and one sentence.
    """
    from bridge.commands.setup.guide import next_steps, template
    from bridge.commands.setup.text import configuration

    if show_template:
        click.echo(template(), nl=False)
        return
    _check_out(out, force)
    answers = _asked() if answers_file is None else _read(answers_file)
    warnings = _write(out, configuration(answers), force)
    click.echo(f"\n{out} is written, and clearwell check accepts it.")
    for warning in warnings:
        click.echo()
        _say(f"Warning: {warning}.")
    click.echo("\nWhat to do next")
    for number, step in enumerate(next_steps(answers, out), 1):
        _say(step.what, f"{number:>3}. ")
        if step.command:
            # Never wrapped, so that it can be copied.
            click.echo(f"       {step.command}")


def _say(text: str, before: str = "") -> None:
    """Print a text in lines of a terminal's width, with ``before`` in front of the first one."""
    lines = textwrap.wrap(
        text,
        WIDTH,
        initial_indent=before,
        subsequent_indent=" " * len(before),
        break_long_words=False,
        break_on_hyphens=False,
    )
    click.echo("\n".join(lines))


def _asked() -> "Answers":
    """The answers of a person at the terminal."""
    from bridge.commands.setup.answers import Answers
    from bridge.commands.setup.questions import next_question
    from bridge.commands.setup.text import capacity

    _say(INTRODUCTION)
    click.echo()
    _say(CAUTION)
    answers, number, title = Answers(), 0, ""
    while (question := next_question(answers)) is not None:
        if question.key == "level":
            click.echo(f"\n{capacity(answers)}")
        if question.title != title:
            number, title = number + 1, question.title
            click.echo(f"\n{number}. {title}")
        _say(question.text, INDENT)
        answers = _answer(question, answers)
    return answers


def _answer(question: "Question", answers: "Answers") -> "Answers":
    """Ask one question until its answer is right."""
    while True:
        offered, default = _offers(question, answers)
        for number, (word, meaning) in enumerate(offered.items(), 1):
            label = f"   {number} {word}"
            if len(label) + len(meaning) + 2 <= WIDTH:
                click.echo(f"{label}  {meaning}")
            else:
                click.echo(f"{label}\n     {meaning}" if meaning else label)
        typed = str(click.prompt(f"   {question.key}", default=default, show_default=bool(default))).strip()
        if not typed and question.key == "port":
            continue
        words = list(offered)
        if typed.isdecimal() and 1 <= int(typed) <= len(words):
            typed = words[int(typed) - 1]
        try:
            return question.answered(answers, typed)
        except InputError as error:
            _say(f"{error}.", INDENT)


def _offers(question: "Question", answers: "Answers") -> tuple[dict[str, str], str]:
    """The words to choose from, each explained, and the answer for a bare Enter; empty for none."""
    from bridge.commands.setup.look import find_brokers, serial_ports

    match question.key:
        case "port":
            ports = serial_ports()
            if not ports:
                _say(
                    "No controller is plugged in. Plug it in and press Enter to look again, or type the path "
                    "that it will have.",
                    INDENT,
                )
            return dict.fromkeys(ports, ""), ports[0] if len(ports) == 1 else ""
        case "broker":
            found = {_address(one): _described(one) for one in find_brokers()}
            return {**found, "none": "no hub"}, next(iter(found), "none")
        case "broker_login" | "broker_encryption":
            host, port = answers.broker or ("", None)
            for one in find_brokers():
                if host == one.host and port in (one.port, None):
                    fits = one.needs_login if question.key == "broker_login" else one.encrypted
                    return {}, "yes" if fits else "no"
            return dict(question.choices), question.default or ""
        case _:
            return dict(question.choices), question.default or ""


def _address(broker: "FoundBroker") -> str:
    return f"{broker.host}:{broker.port}"


def _described(broker: "FoundBroker") -> str:
    needs = "needs a user name" if broker.needs_login else "needs no user name"
    return f"answers on this machine, {'encrypted' if broker.encrypted else 'not encrypted'}, {needs}"


def _read(file: Path) -> "Answers":
    """The answers of a file."""
    import tomllib

    from bridge.commands.setup.look import serial_ports
    from bridge.commands.setup.questions import from_values

    try:
        values = tomllib.loads(file.read_text("utf-8"))
    except OSError as error:
        raise InputError(
            f"--answers {file}: cannot be read ({error.strerror}); clearwell setup --template prints one"
        ) from None
    except UnicodeDecodeError:
        raise InputError(f"--answers {file}: is not a text in UTF-8; save it as UTF-8") from None
    except tomllib.TOMLDecodeError as error:
        raise InputError(
            f'{file}: is not TOML ({error}); write one answer a line, such as height = "76 cm"'
        ) from None
    try:
        return from_values(values)
    except InputError as error:
        ports = serial_ports() if str(error).startswith("port:") else []
        found = f"; this machine has {' and '.join(ports)}" if ports else ""
        raise InputError(f"{file}: {error}{found}") from None


def _check_out(out: Path, force: bool) -> None:
    # The functions of os.path report a place that this user may not see as missing, where Path raises.
    if not os.path.isdir(out.parent):
        raise InputError(f"--out {out}: there is no directory {out.parent}; create it or give another one")
    if os.path.isdir(out):
        raise InputError(f"--out {out}: is a directory; give the name of a file")
    if os.path.lexists(out) and not force:
        raise _is_there(out)


def _is_there(out: Path) -> InputError:
    return InputError(f"--out {out}: the file is there already; give another name, or --force to replace it")


def _write(out: Path, text: str, force: bool) -> tuple[str, ...]:
    """Write the file once it is known to be right: the warnings of ``clearwell check``."""
    from bridge.config.loading import read

    target = out.resolve() if force else out
    try:
        with tempfile.TemporaryDirectory(prefix=".clearwell-", dir=target.parent) as directory:
            draft = Path(directory) / target.name
            draft.write_text(text, "utf-8")
            warnings = read(draft, {}).warnings
            if not force:
                # Takes the name, and refuses a file that appeared while the questions were answered.
                target.open("x").close()
            draft.replace(target)
    except FileExistsError:
        raise _is_there(out) from None
    except OSError as error:
        raise ClearwellError(
            f"{out}: cannot be written ({error.strerror}), so nothing was changed; check the permissions "
            "of the directory and its free space"
        ) from error
    except InputError as error:
        raise ClearwellError(
            "The answers gave a configuration that is refused, so nothing was written. This is a fault of "
            f"the program; please report it with your answers: {error}"
        ) from error
    return warnings
