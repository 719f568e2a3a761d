"""The command line. The module of a command is imported only if the command is called."""

import contextlib
import importlib
import io
import os
import sys

import click

from bridge import __version__
from bridge.errors import ClearwellError, InputError

COMMANDS = {
    "run": "Run the daemon, which keeps the reservoirs filled.",
    "setup": "Ask about reservoir, purifier and hub, and write a configuration.",
    "check": "Check a configuration and explain what the daemon will do.",
    "reset": "Reset a latched trip of the bridge that runs here.",
    "acknowledge": "Acknowledge an alarm of the bridge that runs here.",
    "hold": "Shut the valve, and let no fill start.",
    "release": "End the hold.",
    "fill": "Fill now, although the level is above the refill mark.",
    "cartridge": "Record a new cartridge or membrane in the bridge that runs here.",
    "shelve": "Suppress an alarm for a time.",
    "watch": "Watch any running bridge in the terminal, over the broker.",
    "demo": "A simulated rig, a broker and the daemon together, on one screen.",
    "rig": "Serve a simulated controller on a pseudo-terminal.",
    "simulate": "Run years of faults in virtual time, and judge the bridge by the true state.",
    "sample": "Judge a reading taken by hand.",
    "round": "What does each tray need today? And enter what was done.",
    "away": "Enter an absence, or see what happened during one.",
    "forecast": "When will the purifier be exhausted?",
    "sources": "Which way of making water fits, and what does a litre cost?",
    "report": "Write a season's report: one HTML page, or a PDF.",
    "calendar": "Write the dates that must not be missed for a calendar program.",
    "log": "Read events, alarms and commands out of the log.",
    "calibrate": "Find a cell's constant in a standard solution.",
    "commission": "Walk the commissioning checklist with the hardware attached.",
    "export": "Write the log as CSV or SenML.",
    "collect": "Write the records of any number of bridges to one database.",
    "backup": "Copy the log into one file, also while the daemon runs.",
    "restore": "Continue from a backup of the log.",
    "doctor": "Check everything that a bridge needs, and report what is wrong and what to do.",
    "manual": "Show a page of the manual.",
    "completion": "Print a script that lets a shell complete commands and options.",
}

_MODULES = {
    "backup": ("backup", "restore"),
    "bench": ("calibrate", "commission"),
    "export": ("export", "calendar"),
    "help": ("doctor", "manual", "completion"),
    "round": ("round", "away"),
    "running": (
        "run", "collect", "reset", "acknowledge", "hold", "release", "fill", "cartridge", "shelve",
    ),
    "simulated": ("demo", "rig", "simulate"),
}  # fmt: skip
SHARED_MODULES = {command: module for module, commands in _MODULES.items() for command in commands}
"""The modules of several commands, each a function of its own name. Any other module has one ``command``."""

_FUNCTIONS = {"round": "round_"}
"""The functions whose names differ from their command, because the name is a builtin's."""

LONG_RUNNING = frozenset({"report", "export", "backup", "simulate"})
"""Commands that compute for long, and may run beside a daemon on the same small computer."""
NICE_INCREMENT = 10
"""The increment of their nice value (nice(2))."""


class _Lazy(click.Group):
    """A group that knows the names and summaries of its commands without importing them."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in COMMANDS:
            return None
        shared = SHARED_MODULES.get(cmd_name)
        module = importlib.import_module(f"bridge.commands.{shared or cmd_name}")
        command: click.Command = getattr(module, _FUNCTIONS.get(cmd_name, cmd_name) if shared else "command")
        return command

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        if args and args[0] not in COMMANDS and not args[0].startswith("-"):
            import difflib

            near = difflib.get_close_matches(args[0], COMMANDS, 1)
            hint = f"Did you mean '{near[0]}'?" if near else "'clearwell --help' lists the commands."
            ctx.fail(f"No such command '{args[0]}'. {hint}")
        return super().resolve_command(ctx, args)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl(list(COMMANDS.items()))


@click.command(cls=_Lazy, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="clearwell")
def entry() -> None:
    """Pure water for bog plants, always in stock.

    A bridge between the small controller on a water purifier and the home hub. It opens the fill valve only
    while every condition is known to be met, and shuts it otherwise.
    """


def main() -> None:
    """Run the command line. The exit status is 0 for success, 2 for a user's mistake, 1 for anything else."""
    try:
        status = entry(standalone_mode=False)
    except click.exceptions.Abort:
        print("clearwell: stopped", file=sys.stderr)  # noqa: T201
        sys.exit(130)
    except click.ClickException as error:
        shown = io.StringIO()
        error.show(shown)
        _print_error(shown.getvalue().rstrip("\n"))
        sys.exit(2)
    except InputError as error:
        _print_error(f"clearwell: {error}")
        sys.exit(2)
    except ClearwellError as error:
        _print_error(f"clearwell: {error}")
        sys.exit(1)
    sys.exit(status if isinstance(status, int) else 0)


def _print_error(sentence: str) -> None:
    # Imported late: the command line starts fast, and an error is rare.
    from bridge.commands.shared.terminal import print_error

    print_error(sentence)


def program() -> None:
    """Run the command line in a process of its own, with a lower priority for long commands."""
    if LONG_RUNNING.intersection(sys.argv[1:2]):
        # A close of the valve must not wait for a report.
        with contextlib.suppress(OSError):
            os.nice(NICE_INCREMENT)
    main()
