"""``clearwell demo``, ``rig`` and ``simulate``: the bridge without hardware, at a simulated garden."""

import time
from pathlib import Path
from typing import TYPE_CHECKING

import click

from bridge.commands.shared.terminal import print_error, print_text
from bridge.commands.shared.values import typed_values
from bridge.errors import InputError

if TYPE_CHECKING:
    from rich.live import Live

    from bridge.demo import Chapter, Observed, Story
    from bridge.rig.water_path import Truth
    from bridge.simulate.scenes.trial import Finding
    from bridge.station.events import StationEvent


def _address(text: str | None) -> tuple[str, int] | None:
    if text is None:
        return None
    host, colon, port = text.rpartition(":")
    if not colon or not host or not port.isdigit() or not 0 < int(port) < 65536:
        raise InputError(f"--broker {text!r}: give HOST:PORT, for example localhost:1883")
    return host.strip("[]"), int(port)


@click.command("demo")
@click.option("--headless", is_flag=True, help="Print one line for each event instead of the live view.")
@click.option("--broker", "where", metavar="HOST:PORT", help="Use a running broker.")
def demo(headless: bool, where: str | None) -> int:
    """Simulate a school's bog-garden polytunnel: a 200 L barrel on hard tap water.

    A simulated rig, a broker and the daemon run together for less than a minute. The reservoir fills, plants
    are watered, it refills, the purifier is exhausted, the valve shuts, the hub gets an alert, the cartridge
    is changed, and it fills again. The exit status is 0 only if a subscriber observed all of it.
    """
    broker = _address(where)
    import asyncio
    import logging
    import sys

    from bridge.daemon import service
    from bridge.demo.play import Play, ending_line

    # The lines of the story below replace the log output.
    service.configure_log(level=logging.CRITICAL)
    began = time.monotonic()
    done: list[str] = []
    live: Live | None = None

    def show(mark: str, text: str) -> None:
        line = f"{time.monotonic() - began:5.1f} s {mark} {text}"
        if mark == ">":
            done.append(line)
        if live is None:
            click.echo(line)

    def on_chapter(chapter: "Chapter") -> None:
        show(">", chapter.title)

    def on_event(event: "StationEvent") -> None:
        show(" ", f"{event.id}: {event.sentence}")

    def on_change(observed: "Observed", story: "Story") -> None:
        if live is not None:
            from rich.text import Text

            from bridge.demo import lines

            shown = lines(observed, done, story.waits_for, live.console.height - 1)
            live.update(Text("\n".join(shown)))

    play = Play(broker, on_chapter, on_event, on_change)
    if headless or not sys.stdout.isatty():
        ending = asyncio.run(play.run())
    else:
        try:
            from rich.live import Live as View
        except ImportError as error:
            raise InputError(
                "the live view needs the extra 'demo' (pip install 'clearwell-bridge[demo]'); "
                "or give --headless"
            ) from error
        with View("", refresh_per_second=8) as live:
            ending = asyncio.run(play.run())
    print_text(f"the simulated water: {ending_line(ending)}")
    if ending.complete:
        print_text(f"The whole story was observed in {time.monotonic() - began:.0f} s.")
        return 0
    print_error(f"The story is not complete. Missing: {ending.missing}.")
    return 1


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
@click.option(
    "--check-cell", is_flag=True, help="Fit a second cell in the product water instead of the feed cell."
)
@click.option("--json", "as_json", is_flag=True, help="Print the truth as JSON lines.")
@typed_values()
def rig(
    pty: Path,
    speed: float,
    scenario: str,
    level: float | None,
    seed: int,
    faults: tuple[str, ...],
    check_cell: bool,
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
    from bridge.rig.scenario import SCENARIOS, with_check_cell
    from bridge.rig.water_path import truth_line
    from bridge.rig.world import World

    if scenario not in SCENARIOS:
        raise InputError(f"--scenario {scenario!r} is not known; the scenarios are {', '.join(SCENARIOS)}")
    garden = SCENARIOS[scenario]
    if level is not None:
        if not 0.0 <= level <= 1.0:
            raise InputError(f"--level {level:g}: it must be from 0 (empty) to 1 (brim-full), such as 0.45")
        garden = replace(garden, barrel=replace(garden.barrel, start_fraction=level))
    if check_cell:
        garden = with_check_cell(garden)
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


_GARDENS_A_YEAR = 4
"""Gardens whose forecasts are judged, for each simulated reservoir-year."""


@click.command("simulate")
@click.option("--years", type=float, help="Number of years, such as 3 or 0.25.")
@click.option(
    "--garden", is_flag=True, help="Simulate a season of trays, with and without the watering round."
)
@click.option(
    "--weather",
    type=click.Path(path_type=Path),
    metavar="FILE.csv",
    help="With --garden: the days of a year, columns date, highest_c, lowest_c, rain_mm.  [default: drawn]",
)
@click.option("--singles", is_flag=True, help="Try each fault alone, in each phase and at each boundary.")
@click.option("--pairs", is_flag=True, help="Try each ordered pair of faults in each phase.")
@click.option(
    "--triples",
    type=click.FloatRange(min=0.0, max=1.0, min_open=True),
    metavar="SHARE",
    help="Try this share of all triples with a fault of the instrument, such as 0.05. Takes hours.",
)
@click.option(
    "--with",
    "options",
    metavar="OPTIONS",
    help="With --singles: compare these options, such as drain-valve,flow-sensor, with an outfit without.",
)
@click.option(
    "--search",
    "search_s",
    type=click.FloatRange(min=0.0, min_open=True),
    metavar="SECONDS",
    help="Search for so long for the faults and commands that do most harm.",
)
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
@click.option(
    "--into",
    type=click.Path(dir_okay=False, path_type=Path),
    help="Keep each outcome of --years or --triples in this file, and go on where an earlier run stopped.",
)
@click.option("--executor", metavar="dask://HOST:PORT", help="Run the half-years on this cluster.")
@click.option("--json", "as_json", is_flag=True, help="Print the outcome as JSON.")
@typed_values()
def simulate(
    years: float | None,
    garden: bool,
    weather: Path | None,
    singles: bool,
    pairs: bool,
    triples: float | None,
    options: str | None,
    search_s: float | None,
    seed: int,
    faults: bool,
    reservoirs: int,
    jobs: int | None,
    log: str | None,
    station_only: bool,
    into: Path | None,
    executor: str | None,
    as_json: bool,
) -> int:
    """Run the real bridge in a simulated garden in virtual time, and judge it by the garden's true state.

    The same seed gives the same outcome on any number of cores. The exit status is 1 if a safety rule was
    violated; seed and step are printed with each violation. --singles, --pairs and --triples print Markdown
    tables.

    With --garden, a season of four benches of trays is simulated instead, for a grower who waters by habit
    and one who follows 'clearwell round'. Give --years 3 for three seasons.
    """
    if weather is not None and not garden:
        raise InputError("--weather belongs to --garden")
    if garden:
        _garden(1 if years is None else round(years), seed, weather, as_json)
        return 0
    if singles or pairs:
        if years is not None:
            raise InputError("--years does not go with --singles or --pairs; give one of them")
        return _tables(singles, pairs, options, jobs)
    if triples is not None:
        if years is not None:
            raise InputError("--years does not go with --triples; give one of them")
        return _triples(triples, jobs, into)
    if options is not None:
        raise InputError("--with needs --singles, such as --singles --with drain-valve")
    if search_s is not None:
        if years is not None:
            raise InputError("--years does not go with --search; give one of them")
        return _search(search_s, seed)
    if years is None:
        raise InputError("give --years, such as --years 0.25, or --singles, --pairs, --triples or --search")
    if into is not None and log is not None:
        raise InputError("--into does not go with --log, because a half-year that is kept runs only once")
    return _years(years, seed, faults, reservoirs, jobs, log, station_only, into, executor, as_json)


def _tables(singles: bool, pairs: bool, options: str | None, jobs: int | None) -> int:
    from bridge.simulate.scenes import table
    from bridge.simulate.scenes.scene import options_of

    wrong: list[str] = []
    alone: list[Finding] | None = None
    if singles and options is not None:
        chosen = sorted(options_of(options), key=lambda option: option.value)
        compared = table.compared(chosen, jobs)
        click.echo(table.table_of_options(compared))
        wrong += [line for found in compared.values() for line in table.violations_of(found)]
    elif singles:
        alone = table.singles(jobs)
        click.echo(table.table_of_singles(alone))
        wrong += table.violations_of(alone)
    if pairs:
        found = table.pairs(alone or table.singles(jobs, table.PAIR_SCENES), jobs)
        click.echo(f"{len(found)} trials of pairs.\n\n{table.table_of_pairs(found)}")
        wrong += table.violations_of(found)
    return _judged(wrong)


def _triples(share: float, jobs: int | None, into: Path | None) -> int:
    import sys

    from bridge import __version__
    from bridge.simulate.kept import Manifest
    from bridge.simulate.scenes import table, triples

    alone = table.singles(jobs, table.PAIR_SCENES)
    starts = triples.starts_of(alone)
    chosen = starts[: max(1, round(share * len(starts)))]
    with click.progressbar(
        length=len(chosen), label="starts", file=sys.stderr, hidden=not sys.stderr.isatty()
    ) as bar:
        manifest = Manifest(__version__, _commit(), 0, faults=True, station_only=False, kind="triples")
        found = triples.run(chosen, into, manifest, jobs, lambda one: bar.update(1))
    tried, planned = sum(one.trials for one in found), triples.trials_of(starts)
    click.echo(
        f"Version {manifest.version}, commit {manifest.commit}: {tried} of {planned} trials of triples.\n"
    )
    click.echo(table.table_of_worst([one.costly for one in found]))
    wrong = table.violations_of([broken for one in found for broken in one.broken])
    return _judged(wrong)


def _judged(violations: list[str]) -> int:
    """Print the violations, and return the exit status."""
    click.echo(
        "\n".join(["", f"{len(violations)} violations:", *violations]) if violations else "\nNo violation."
    )
    return 1 if violations else 0


def _search(seconds: float, seed: int) -> int:
    from bridge.simulate.scenes.search import search, story

    ends = time.monotonic() + seconds
    find = search(seed, lambda plays: time.monotonic() < ends)
    click.echo(story(find))
    return 1 if find.harm.violations else 0


def _years(
    years: float,
    seed: int,
    faults: bool,
    reservoirs: int,
    jobs: int | None,
    log: str | None,
    station_only: bool,
    into: Path | None,
    executor: str | None,
    as_json: bool,
) -> int:
    import sys

    from bridge.simulate import outcome as found
    from bridge.simulate.campaign import forecasts, run, tasks_of

    tasks = tasks_of(years, seed, faults=faults, reservoirs=reservoirs, log=log, station_only=station_only)
    days = round(sum(task.days for task in tasks))
    with click.progressbar(
        length=days, label="days simulated", file=sys.stderr, hidden=not sys.stderr.isatty()
    ) as bar:

        def done(outcome: found.Outcome) -> None:
            bar.update(round(outcome.task.days))

        if into is None:
            outcomes = run(tasks, jobs, done, executor)
        else:
            from bridge import __version__
            from bridge.simulate.kept import Manifest, run_into

            manifest = Manifest(__version__, _commit(), seed, faults, station_only)
            kept = run_into(into, manifest, tasks, jobs, done, executor)
            outcomes = list(kept.outcomes.values())
            click.echo(kept.sentence, err=as_json)
    summary = found.summed(seed, reservoirs, years, outcomes)
    if not station_only:
        summary.promises.add(forecasts(seed, round(_GARDENS_A_YEAR * years * reservoirs), jobs))
    if as_json:
        click.echo(found.as_json(summary))
    else:
        print_text(found.as_text(summary))
    return 1 if summary.violations else 0


def _garden(seasons: int, seed: int, weather: Path | None, as_json: bool) -> None:
    """Simulate seasons of trays and print a table."""
    import json
    from datetime import date

    from bridge.simulate.trays import season as garden_season
    from bridge.simulate.trays import world as garden_world
    from bridge.trays.outlook import HORIZON_DAYS

    if seasons < 1:
        raise InputError("--years: give at least 1 with --garden")
    days = garden_season.DAYS + HORIZON_DAYS
    made = []
    for number in range(seasons):
        if weather is None:
            drawn = garden_world.drawn_weather(date(2026, 3, 1), days, seed + number)
        else:
            from bridge.watering.weather import read_weather

            drawn = garden_season.season_of(read_weather(weather), number, days)
        made.append(garden_season.season(seed + number, drawn))
    if as_json:
        click.echo(json.dumps(garden_season.as_values(made), indent=1))
        return
    for line in garden_season.lines(made):
        click.echo(line)


def _commit() -> str:
    """Return the commit of the code that runs, or ``unknown`` if it does not run from a repository."""
    import subprocess

    here = Path(__file__).parent
    try:
        done = subprocess.run(
            ["git", "-C", str(here), "describe", "--always", "--dirty", "--abbrev=12"],
            capture_output=True,
            text=True,
            check=True,
        )
    except (OSError, subprocess.CalledProcessError):
        return "unknown"
    return done.stdout.strip()
