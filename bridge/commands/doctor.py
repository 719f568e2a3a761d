"""``clearwell doctor``: reports what is wrong and what to do."""

import json
import os
import shutil
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from bridge.commands.shared.configuration import environ_as_daemon, usual_config
from bridge.errors import InputError

if TYPE_CHECKING:
    from bridge.doctor import Finding

_WIDEST = 100
_INDENT = 12


@click.command("doctor")
@click.argument("config", required=False, type=click.Path(path_type=Path))
@click.option("--json", "as_json", is_flag=True, help="One JSON object instead of lines.")
def command(config: Path | None, as_json: bool) -> int:
    """Check everything that a bridge needs, and report each check as ok, look, or wrong.

    The checks: program and libraries, the configuration, clock, disk and log, the serial port and the
    programs that use it, the controller and its firmware, the broker, its encryption, the login and the
    access rules, and the age of calibrations. Each finding that is not ok names what to do.

    You can run it at any time. If the daemon has the port open, the port is not touched. Otherwise the
    controller is asked for its identity. The valve is never opened, but opening the port restarts many
    boards, which shut their valves when they start. On the broker only trial topics are used, and no message
    stays there.

    Without CONFIG it reads /etc/clearwell/clearwell.toml, or clearwell.toml in this directory. Root can read
    all files of the service: sudo clearwell doctor.

    The exit status is 0 if nothing is wrong, 1 if something is, and 2 for a mistake in the command line.
    """
    from bridge.doctor import Verdict, worst
    from bridge.doctor.rounds import findings

    named = config
    config = usual_config(config, "doctor")
    if named is not None and not os.path.exists(named):
        raise InputError(f"{named}: there is no such file; give the path of a configuration in TOML")
    found: list[Finding] = []
    for one in findings(config, environ_as_daemon(config, os.environ)):
        found.append(one)
        if not as_json:
            click.echo(_text(one))
            sys.stdout.flush()
    if as_json:
        click.echo(json.dumps(_record(found), ensure_ascii=False, indent=2))
    else:
        counts = {verdict: sum(one.verdict is verdict for one in found) for verdict in Verdict}
        click.echo(
            f"{counts[Verdict.OK]} ok, {counts[Verdict.LOOK]} to look at, {counts[Verdict.WRONG]} wrong."
        )
    return 1 if worst(found) is Verdict.WRONG else 0


def _text(one: "Finding") -> str:
    """Format a finding: wrapped on a terminal, else on one line, for tools such as grep."""
    from bridge.display.text import printable, wrapped
    from bridge.doctor import SIGNS

    about = f" {one.about}" if one.about else ""
    then = f" To do: {one.next}" if one.next else ""
    head, sentence = f"{SIGNS[one.verdict]:<{_INDENT}}", f"{one.check}{about}: {one.what}{then}"
    if not sys.stdout.isatty():
        return head + printable(sentence)
    width = min(shutil.get_terminal_size((80, 24)).columns, _WIDEST)
    lines = wrapped(sentence, max(width - _INDENT, 20))
    return "\n".join([head + lines[0], *(" " * _INDENT + line for line in lines[1:])])


def _record(found: "list[Finding]") -> dict[str, object]:
    from bridge.doctor import worst

    return {
        "verdict": worst(found).value,
        "checks": [
            {
                "check": one.check,
                "about": one.about,
                "verdict": one.verdict.value,
                "what": one.what,
                "next": one.next,
            }
            for one in found
        ],
    }
