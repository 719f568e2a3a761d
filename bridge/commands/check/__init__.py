"""``clearwell check``: is a configuration right, and what will the daemon do with it?"""

from pathlib import Path

import click

_LABEL = 13


@click.command("check")
@click.argument("file", type=click.Path(path_type=Path))
def command(file: Path) -> None:
    """Check the configuration FILE and explain what the daemon will do.

    Nothing is opened and nothing is moved. The exit status is 0 when FILE is right, warnings or not, and 2
    when it is wrong; then every mistake found is named, with its key and what would be right.
    """
    from bridge.commands.check.plan import explained
    from bridge.commands.check.words import wrapped
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
