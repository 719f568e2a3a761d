"""``clearwell simulate``: years of faults in minutes, judged by the true state."""

import click

from bridge.commands.shared.values import typed_values


@click.command("simulate")
@click.option("--years", required=True, type=float, help="Number of years, such as 3 or 0.25.")
@click.option("--seed", default=1, show_default=True, help="Seed of all random values.")
@click.option("--faults", is_flag=True, help="Add faults, at realistic and at very high rates.")
@click.option(
    "--reservoirs", default=1, show_default=True, help="Number of reservoirs, each for those years."
)
@click.option("--jobs", type=click.IntRange(min=1), help="Number of processes.  [default: one for each core]")
@click.option(
    "--log", type=click.Path(dir_okay=False), help="Write a real log of the first half-year to this file."
)
@click.option(
    "--station-only",
    is_flag=True,
    help="Leave out the rows, the forecast, the relay and views without news; this is faster.",
)
@click.option("--json", "as_json", is_flag=True, help="Print the outcome as JSON.")
@typed_values()
def command(
    years: float,
    seed: int,
    faults: bool,
    reservoirs: int,
    jobs: int | None,
    log: str | None,
    station_only: bool,
    as_json: bool,
) -> int:
    """Run the real bridge in a simulated garden in virtual time, and judge it by the garden's true state.

    The same seed gives the same outcome on any number of cores. The exit status is 1 if a safety rule was
    violated; seed and step are printed with each violation.
    """
    import sys

    from bridge.simulate import outcome as found
    from bridge.simulate.campaign import run, tasks_of

    tasks = tasks_of(years, seed, faults=faults, reservoirs=reservoirs, log=log, station_only=station_only)
    days = round(sum(task.days for task in tasks))
    with click.progressbar(
        length=days, label="days simulated", file=sys.stderr, hidden=not sys.stderr.isatty()
    ) as bar:

        def done(outcome: found.Outcome) -> None:
            bar.update(round(outcome.task.days))

        outcomes = run(tasks, jobs, done)
    summary = found.summed(seed, reservoirs, years, outcomes)
    click.echo(found.as_json(summary) if as_json else found.as_text(summary))
    return 1 if summary.violations else 0
