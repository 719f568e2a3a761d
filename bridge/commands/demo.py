"""``clearwell demo``: rig, broker and daemon together, without hardware."""

import time
from typing import TYPE_CHECKING

import click

from bridge.errors import InputError

if TYPE_CHECKING:
    from rich.live import Live

    from bridge.demo.story import Chapter, Heard, Teller
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
@click.option("--broker", "where", metavar="HOST:PORT", help="Use a broker that runs already.")
def command(headless: bool, where: str | None) -> int:
    """A school's bog-garden polytunnel, simulated: a 200 L barrel on hard tap water.

    Simulated rig, broker and daemon run together for less than a minute: fill to the mark, draw-off, refill,
    the purifier is exhausted, the valve shuts, the hub is alerted, the cartridge is changed, and it goes on.
    The exit status is 0 only if a subscriber on the broker received the whole story.
    """
    broker = _address(where)
    import asyncio
    import logging
    import sys

    from bridge.daemon import log_output
    from bridge.demo.play import Play, ending_line

    # The lines of the story below take the place of log lines.
    log_output.configure(level=logging.CRITICAL)
    began = time.monotonic()
    told: list[str] = []
    live: Live | None = None

    def tell(mark: str, text: str) -> None:
        line = f"{time.monotonic() - began:5.1f} s {mark} {text}"
        if mark == ">":
            told.append(line)
        if live is None:
            click.echo(line)

    def on_chapter(chapter: "Chapter") -> None:
        tell(">", chapter.title)

    def on_event(event: "StationEvent") -> None:
        tell(" ", f"{event.id}: {event.sentence}")

    def on_change(heard: "Heard", teller: "Teller") -> None:
        if live is not None:
            from rich.text import Text

            from bridge.demo.story import lines

            shown = lines(heard, told, teller.waits_for, live.console.height - 1)
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
    click.echo(f"the rig's truth: {ending_line(ending)}")
    if ending.complete:
        click.echo(f"The whole story was seen in {time.monotonic() - began:.0f} s.")
        return 0
    click.echo(f"The story stopped: {ending.waited_for} did not happen.", err=True)
    return 1
