"""``clearwell run``: the daemon."""

import os
from pathlib import Path

import click

from bridge.commands.shared.terminal import sentence_of
from bridge.errors import InputError


@click.command("run")
@click.option(
    "--config", required=True, type=click.Path(path_type=Path), help="The configuration file (TOML)."
)
@click.option("--quiet", is_flag=True, help="Log warnings and errors only.")
def command(config: Path, quiet: bool) -> None:
    """Keep the reservoirs filled until SIGTERM or SIGINT, which close every valve before anything else."""
    import asyncio
    import logging

    from bridge.config.loading import read
    from bridge.daemon import service
    from bridge.daemon.process import Daemon

    configuration = read(config, os.environ)
    plan = configuration.plan
    if not plan.stations:
        raise InputError(
            f"{config}: there is no [reservoir.<id>] to keep filled; a purifier or a shelf that is kept by "
            "hand needs no daemon: enter it with clearwell sample, and see clearwell forecast"
        )
    service.configure_log(level=logging.WARNING if quiet else logging.INFO, for_people=sentence_of)
    for warning in configuration.warnings:
        service.logger().warning("configuration", sentence=warning)

    async def keep() -> None:
        await Daemon(plan).run()

    asyncio.run(keep())
