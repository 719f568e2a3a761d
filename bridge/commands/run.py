"""``clearwell run``: the daemon."""

import os
from pathlib import Path

import click

from bridge.errors import InputError


@click.command("run")
@click.option(
    "--config", required=True, type=click.Path(path_type=Path), help="The configuration file (TOML)."
)
@click.option("--quiet", is_flag=True, help="Log warnings and errors only.")
def command(config: Path, quiet: bool) -> None:
    """Keep the reservoirs filled until SIGTERM or SIGINT, which close the valve before anything else."""
    from bridge.settings.file import read

    configuration = read(config, os.environ)
    if not configuration.plan.stations:
        raise InputError(
            f"{config}: there is no [reservoir.<id>] to keep filled; what is kept by hand needs no daemon: "
            "enter it with clearwell sample, and ask clearwell forecast"
        )

    import asyncio
    import logging

    import structlog

    from bridge import logs
    from bridge.daemon import Daemon

    logs.configure(level=logging.WARNING if quiet else logging.INFO)
    for warning in configuration.warnings:
        structlog.get_logger("clearwell").warning("configuration", sentence=warning)

    async def keep() -> None:
        await Daemon(configuration.plan).run()

    asyncio.run(keep())
