"""``clearwell doctor``, ``manual`` and ``completion``: findings with remedies, pages, help while typing."""

import json
import os
import sys
from collections.abc import Iterator, Mapping
from importlib.resources import files
from pathlib import Path
from typing import TYPE_CHECKING

import click

from bridge.commands.shared.configuration import environ_as_daemon, usual_config
from bridge.commands.shared.terminal import columns, print_text
from bridge.display.manual_page import plain_text
from bridge.doctor import SIGNS, Finding, Verdict, worst
from bridge.errors import InputError

if TYPE_CHECKING:
    from bridge.config.plan import BridgePlan
    from bridge.doctor.judge_connections import PortFacts
    from bridge.station.plan import StationPlan

_INDENT = 12


@click.command("doctor")
@click.argument("config", required=False, type=click.Path(path_type=Path))
@click.option("--json", "as_json", is_flag=True, help="One JSON object instead of lines.")
def doctor(config: Path | None, as_json: bool) -> int:
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
        print_text(
            f"{counts[Verdict.OK]} ok, {counts[Verdict.LOOK]} to look at, {counts[Verdict.WRONG]} wrong."
        )
    return 1 if worst(found) is Verdict.WRONG else 0


def _text(one: Finding) -> str:
    """Format a finding: wrapped on a terminal, else on one line, for tools such as grep."""
    from bridge.display.text import printable, wrapped

    about = f" {one.about}" if one.about else ""
    then = f" To do: {one.next}" if one.next else ""
    head, sentence = f"{SIGNS[one.verdict]:<{_INDENT}}", f"{one.check}{about}: {one.what}{then}"
    if not sys.stdout.isatty():
        return head + printable(sentence)
    width = columns()
    lines = wrapped(sentence, max(width - _INDENT, 20))
    return "\n".join([head + lines[0], *(" " * _INDENT + line for line in lines[1:])])


def _record(found: list[Finding]) -> dict[str, object]:
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


def findings(config: Path, environ: Mapping[str, str]) -> Iterator[Finding]:
    """Run all checks, and yield each finding at once. Changes nothing and opens no valve.

    Args:
        config: the configuration file.
        environ: the daemon's environment.
    """
    from bridge.config.loading import read
    from bridge.doctor.judge_machine import judge_program
    from bridge.doctor.see_machine import see_program

    try:
        configuration = read(config, environ)
    except InputError as error:
        yield from judge_program(see_program(), None)
        for mistake in str(error).splitlines():
            yield Finding(
                "configuration",
                "",
                Verdict.WRONG,
                f"{mistake}.",
                "Correct it; the other checks need a valid configuration.",
            )
        return
    plan = configuration.plan
    yield from judge_program(see_program(), plan)
    reservoirs = " and ".join(station.identity.reservoir for station in plan.stations) or "none"
    yield Finding("configuration", "", Verdict.OK, f"{config} is valid; its reservoirs: {reservoirs}.")
    for warning in configuration.warnings:
        # The checks of the broker include these warnings.
        if not warning.startswith("hub: "):
            yield Finding(
                "configuration",
                "",
                Verdict.LOOK,
                f"{warning}.",
                "clearwell check explains the whole configuration.",
            )
    yield from _computer(plan)
    daemon_runs = False
    for station in plan.stations:
        port = _port(station)
        daemon_runs = daemon_runs or port.daemon is not None
        yield from _latched(config, plan, station)
        yield from _line(plan, station, port)
    daemon_runs = daemon_runs or _log_is_open(plan)
    yield Finding("daemon", "", *_daemon(daemon_runs))
    yield from _hub(plan, daemon_runs)
    yield from _calibrations(plan)


def _computer(plan: "BridgePlan") -> Iterator[Finding]:
    from bridge.doctor.judge_machine import judge_clock, judge_disk, judge_log
    from bridge.doctor.see_machine import see_clock, see_disk, see_log

    if plan.log is None:
        yield judge_clock(see_clock(None))
        yield Finding(
            "log",
            "",
            Verdict.LOOK,
            "There is no log, so a restart forgets trips, alarms and the load of the purifier.",
            "Set log.enabled = true.",
        )
        return
    log = see_log(plan.log.path)
    yield judge_clock(see_clock(log.last_s or None))
    yield from judge_disk(see_disk(plan.log.path, log.span_days), plan)
    yield judge_log(log)


def _port(station: "StationPlan") -> "PortFacts":
    from bridge.doctor.see_connections import see_port

    return see_port(station.port)


def _line(plan: "BridgePlan", station: "StationPlan", port: "PortFacts") -> Iterator[Finding]:
    from bridge.doctor.judge_connections import judge_controller, judge_daemons_controller, judge_port
    from bridge.doctor.see_connections import ask_controller
    from bridge.doctor.see_machine import greeting

    reservoir = station.identity.reservoir
    yield judge_port(reservoir, port)
    if port.daemon is not None:
        newest = None if plan.log is None else greeting(plan.log.path, reservoir)
        yield judge_daemons_controller(reservoir, newest)
    elif port.is_free:
        try:
            facts = ask_controller(station)
        except InputError as error:
            yield Finding("controller", reservoir, Verdict.WRONG, str(error), "Then run this command again.")
            return
        yield from judge_controller(station, facts)


def _latched(config: Path, plan: "BridgePlan", station: "StationPlan") -> Iterator[Finding]:
    from bridge.doctor.see_machine import latched
    from bridge.guard.faults import latched_sentences

    state = None if plan.log is None else latched(plan.log.path, station)
    if state is None:
        return
    reservoir = station.identity.reservoir
    found = list(latched_sentences(reservoir, state.latches, hold=state.hold))
    for what, remedy in found:
        yield Finding("trips", reservoir, Verdict.LOOK, what, f"{remedy.replace('FILE', str(config))}.")
    if not found:
        yield Finding("trips", reservoir, Verdict.OK, "No trip is latched, and filling is not on hold.")


def _log_is_open(plan: "BridgePlan") -> bool:
    from bridge.history.log_file import holder

    return plan.log is not None and holder(plan.log.path) is not None


def _daemon(runs: bool) -> tuple[Verdict, str, str]:
    if runs:
        return Verdict.OK, "The daemon of this configuration runs.", ""
    return (
        Verdict.LOOK,
        "No daemon of this configuration runs here, as far as this user can see.",
        "Start it: sudo systemctl enable --now clearwell, or clearwell run --config FILE.",
    )


def _hub(plan: "BridgePlan", daemon_runs: bool) -> Iterator[Finding]:
    from bridge.doctor.judge_connections import judge_hub
    from bridge.doctor.see_connections import see_hub

    if plan.hub is None:
        yield Finding("broker", "", Verdict.OK, "There is no table [hub], so nothing is published.")
        return
    yield from judge_hub(plan.hub.broker, see_hub(plan, daemon_runs=daemon_runs))
    tls = plan.hub.broker.tls
    if tls is not None and tls.key_file is not None and _others_may_read(tls.key_file):
        yield Finding(
            "encryption",
            "",
            Verdict.LOOK,
            f"Users other than its owner may read the key {tls.key_file}.",
            f"Correct that: chmod 600 {tls.key_file}.",
        )


def _others_may_read(file: Path) -> bool:
    try:
        return bool(os.stat(file).st_mode & 0o044)
    except OSError:
        return False


def _calibrations(plan: "BridgePlan") -> Iterator[Finding]:
    import time

    from bridge.doctor.judge_machine import judge_calibrations

    for station in plan.stations:
        yield from judge_calibrations(station, time.time())


PAGES = {
    page.name.removesuffix(".md"): page
    for page in sorted((files("bridge") / "manual").iterdir(), key=lambda page: page.name)
    if page.name.endswith(".md")
}
"""Every page of the package by its topic."""


@click.command("manual")
@click.argument("topic", required=False, type=click.Choice(list(PAGES)), metavar="[TOPIC]")
def manual(topic: str | None) -> None:
    """Show a page of the manual, or without TOPIC the list of all pages.

    The text is wrapped to the width of the terminal and goes to the standard output, so that it can be read
    with a pager: clearwell manual faults | less
    """
    if topic is not None:
        click.echo(plain_text(PAGES[topic].read_text("utf-8"), columns()), nl=False)
        return
    indent = max(map(len, PAGES)) + 2
    for name, page in PAGES.items():
        title = page.read_text("utf-8").partition("\n")[0].lstrip("# ")
        click.echo(f"{name:<{indent}}{title}")


@click.command("completion")
@click.argument("shell", type=click.Choice(["bash", "zsh", "fish"]))
def completion(shell: str) -> None:
    """Print a script that lets bash, zsh or fish complete commands, options, values and files.

    Write it to the file in which your shell looks: clearwell completion bash > FILE.

    \b
    bash  ~/.local/share/bash-completion/completions/clearwell
    zsh   _clearwell in a directory of $fpath
    fish  ~/.config/fish/completions/clearwell.fish

    The script runs the program itself, so it is always up to date; the program must be on the PATH.
    """  # noqa: D301 (click needs the control character itself to keep the lines apart)
    from click.shell_completion import get_completion_class

    from bridge.commands.main import entry

    kind = get_completion_class(shell)
    assert kind is not None
    script = kind(entry, {}, "clearwell", "_CLEARWELL_COMPLETE")
    # script.source() would check the version of the bash on this machine, which may not be the user's.
    click.echo(script.source_template % script.source_vars())
