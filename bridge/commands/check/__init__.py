"""``clearwell check``: finds the mistakes of a configuration, and explains what the daemon will do."""

from pathlib import Path

import click

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

    configuration = configuration_in_use(file)
    click.echo(f"{file} is right. This is what the daemon will do.")
    for title, lines in explained(configuration.plan):
        click.echo(f"\n{title}")
        for label, sentences in lines:
            click.echo(wrapped(sentences, f"  {label:<{_LABEL}}" if label else "  "))
    for warning in configuration.warnings:
        click.echo()
        click.echo(wrapped(f"{warning}.", "Warning: "))
