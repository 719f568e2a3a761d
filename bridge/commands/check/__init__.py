"""``clearwell check``: finds the mistakes of a configuration, and explains what the daemon will do."""

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from bridge.config.plan import BridgePlan

_LABEL = 13


@click.command("check")
@click.argument("file", type=click.Path(path_type=Path))
def command(file: Path) -> None:
    """Check the configuration FILE and explain what the daemon will do.

    No port is opened and no valve moves. The exit status is 0 if FILE is right, with or without warnings, and
    2 if it is wrong; then every mistake is listed with its key and what would be right.
    """
    from bridge.commands.check.plan import explained, wrapped
    from bridge.commands.shared.configuration import configuration_in_use
    from bridge.commands.shared.terminal import columns

    configuration = configuration_in_use(file)
    width = columns()
    click.echo(wrapped(f"{file} is right. This is what the daemon will do.", "", width))
    for title, lines in explained(configuration.plan):
        click.echo(f"\n{title}")
        for label, sentences in lines:
            click.echo(wrapped(sentences, f"  {label:<{_LABEL}}" if label else "  ", width))
    for warning in (*configuration.warnings, *_missing_extras(configuration.plan)):
        click.echo()
        click.echo(wrapped(f"{warning}.", "Warning: ", width))


def _missing_extras(plan: "BridgePlan") -> Iterator[str]:
    """Return a warning for each extra that this configuration needs and this Python lacks."""
    from bridge.doctor.see_machine import LIBRARIES, version_of

    needs = {
        "page": (plan.page is not None, "no page is served"),
        "modbus": (
            any(one.modbus is not None for one in plan.stations),
            "no Modbus line is read",
        ),
    }
    for extra, (needed, without) in needs.items():
        missing = [name for name, of in LIBRARIES if of == extra and version_of(name) is None]
        if needed and missing:
            yield (
                f"the extra '{extra}' is not installed ({', '.join(missing)} missing), and without it "
                f"{without}; install it with pip install '.[{extra}]' in the clone"
            )
