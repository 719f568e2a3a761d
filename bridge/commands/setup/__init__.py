"""``clearwell setup``: asks a newcomer, and writes a configuration that ``clearwell check`` accepts.

A serial port is only listed, never opened: opening one resets many boards. A broker receives one CONNECT and
one DISCONNECT, and nothing is published.
"""

import os
import socket
import ssl
import tempfile
import textwrap
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import click

from bridge.errors import ClearwellError, InputError

if TYPE_CHECKING:
    from bridge.commands.setup.answers import Answers
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
    from bridge.commands.setup.text import configuration, next_steps, template

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
    """Ask a person at the terminal, and return the answers."""
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
    """Return the words to choose from, each explained, and the answer for a bare Enter; empty for none."""
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
    """Read the answers out of a file."""
    import tomllib

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
    """Check the configuration, write it, and return the warnings that ``clearwell check`` gives."""
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


BY_ID = Path("/dev/serial/by-id")
HOST = "localhost"
PORTS = ((1883, False), (8883, True))
"""MQTT without and with TLS. Source: IANA, Service Name and Transport Protocol Port Number Registry."""
_TIMEOUT_S = 1.0
# OASIS MQTT 3.1.1, 3.1: protocol name and level, a clean session, keep alive 30 s, an empty client id.
_CONNECT = b"\x10\x0c\x00\x04MQTT\x04\x02\x00\x1e\x00\x00"
_DISCONNECT = b"\xe0\x00"
_CONNACK = b"\x20\x02"
_ACCEPTED = 0
_REFUSED_LOGINS = (4, 5)
"""The return codes for a bad user name or password and for a client that is not authorized (3.2.2.3)."""


@dataclass(frozen=True, slots=True)
class FoundBroker:
    """A broker that answered."""

    host: str
    port: int
    encrypted: bool
    needs_login: bool


def serial_ports() -> list[str]:
    """List the serial ports of this machine by the names that stay the same."""
    try:
        return sorted(str(one) for one in BY_ID.iterdir())
    except OSError:
        return []


def find_brokers() -> list[FoundBroker]:
    """List the brokers that answer at the usual ports of this machine."""
    found = (_broker(HOST, port, encrypted) for port, encrypted in PORTS)
    return [one for one in found if one is not None]


def _broker(host: str, port: int, encrypted: bool) -> FoundBroker | None:
    try:
        with socket.create_connection((host, port), _TIMEOUT_S) as line:
            if not encrypted:
                return _ask(line, host, port, encrypted)
            trusting = ssl.create_default_context()
            # Nothing secret is sent here; the daemon is the one that checks the certificate.
            trusting.check_hostname = False
            trusting.verify_mode = ssl.CERT_NONE
            with trusting.wrap_socket(line, server_hostname=host) as secured:
                return _ask(secured, host, port, encrypted)
    except OSError:
        return None


def _ask(line: socket.socket, host: str, port: int, encrypted: bool) -> FoundBroker | None:
    line.settimeout(_TIMEOUT_S)
    line.sendall(_CONNECT)
    answer = b""
    while len(answer) < 4:
        piece = line.recv(4 - len(answer))
        if not piece:
            break
        answer += piece
    if answer[:2] != _CONNACK or len(answer) < 4:
        return None
    code = answer[3]
    if code == _ACCEPTED:
        line.sendall(_DISCONNECT)
    elif code not in _REFUSED_LOGINS:
        return None
    return FoundBroker(host, port, encrypted, needs_login=code != _ACCEPTED)
