"""``clearwell demo``: the whole system, without hardware."""

import time
from typing import TYPE_CHECKING

import click

from bridge.errors import InputError

if TYPE_CHECKING:
    from rich.live import Live

    from bridge.demo.story import Chapter, Observed, Story
    from bridge.station.station import StationEvent


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
def command(headless: bool, where: str | None) -> int:
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

            from bridge.demo.story import lines

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
    click.echo(f"the simulated water: {ending_line(ending)}")
    if ending.complete:
        click.echo(f"The whole story was observed in {time.monotonic() - began:.0f} s.")
        return 0
    click.echo(f"The story is not complete. Missing: {ending.missing}.", err=True)
    return 1
