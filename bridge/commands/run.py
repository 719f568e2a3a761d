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
    # Before they part, for the child needs this too.
    import asyncio
    import logging

    from bridge.config.apart import ApartReading

    reading = ApartReading(config, os.environ)
    # And this while the child is at work.
    from bridge.daemon import log_output as logs
    from bridge.daemon.process import Daemon

    plan, warnings = reading.result()
    if not plan.stations:
        raise InputError(
            f"{config}: there is no [reservoir.<id>] to keep filled; what is kept by hand needs no daemon: "
            "enter it with clearwell sample, and ask clearwell forecast"
        )
    logs.configure(level=logging.WARNING if quiet else logging.INFO)
    for warning in warnings:
        logs.logger().warning("configuration", sentence=warning)

    async def keep() -> None:
        await Daemon(plan).run()

    asyncio.run(keep())
