"""``clearwell rig``: serves a simulated controller to a separate ``clearwell run``."""

from pathlib import Path
from typing import TYPE_CHECKING

import click

from bridge.commands.shared.values import typed_values
from bridge.errors import InputError

if TYPE_CHECKING:
    from bridge.rig.water_path import Truth


@click.command("rig")
@click.option(
    "--pty", required=True, type=click.Path(path_type=Path), help="The new symlink to the terminal."
)
@click.option("--speed", default=1.0, show_default=True, help="World seconds for each real second.")
@click.option("--scenario", default="polytunnel", show_default=True, help="The simulated garden.")
@click.option("--level", type=float, metavar="FRACTION", help="Level of the barrel at the start, 0 to 1.")
@click.option("--seed", default=1, show_default=True, help="Seed of noise and weather.")
@click.option(
    "--fault",
    "faults",
    multiple=True,
    metavar="NAME@SECONDS[+DURATION]",
    help="Inject a fault at this world second; can be repeated.",
)
@click.option("--json", "as_json", is_flag=True, help="Print the truth as JSON lines.")
@typed_values()
def command(
    pty: Path,
    speed: float,
    scenario: str,
    level: float | None,
    seed: int,
    faults: tuple[str, ...],
    as_json: bool,
) -> int:
    """Serve a simulated controller, purifier and barrel on a pseudo-terminal until interrupted.

    The true state is printed every second and at every change of the valve: the flow, the volume and the
    dissolved solids.
    """
    import asyncio
    import signal
    from dataclasses import replace

    from bridge.rig.faults import parse_fault
    from bridge.rig.pty import RigServer
    from bridge.rig.scenario import SCENARIOS
    from bridge.rig.water_path import truth_line
    from bridge.rig.world import World

    if scenario not in SCENARIOS:
        raise InputError(f"--scenario {scenario!r} is not known; the scenarios are {', '.join(SCENARIOS)}")
    garden = SCENARIOS[scenario]
    if level is not None:
        garden = replace(garden, barrel=replace(garden.barrel, start_fraction=level))
    world = World(garden, seed, [parse_fault(text) for text in faults])

    def show(truth: "Truth") -> None:
        click.echo(truth_line(truth) if as_json else _sentence(truth))

    async def serve() -> None:
        server = RigServer(world, pty, speed, show)
        serving = asyncio.ensure_future(server.run())
        loop = asyncio.get_running_loop()
        for number in (signal.SIGTERM, signal.SIGINT):
            loop.add_signal_handler(number, serving.cancel)
        try:
            await serving
        except asyncio.CancelledError:
            # A signal is the normal end of this command.
            return

    asyncio.run(serve())
    return 0


def _sentence(truth: "Truth") -> str:
    faults = f"  faults: {', '.join(truth.faults)}" if truth.faults else ""
    return (
        f"{truth.time_s:9.0f} s  valve {truth.path.value:<5}  {truth.volume_l:6.1f} L at "
        f"{truth.reservoir_ppm:5.1f} ppm  product {truth.product_ppm:6.1f} ppm{faults}"
    )
