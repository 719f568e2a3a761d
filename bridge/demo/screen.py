"""The demo's screen: the view that everybody has of a running bridge, and below it the story. Core."""

from collections.abc import Sequence

from bridge.demo.story import Heard
from bridge.display.terminal import WIDTH, Watch, cropped, screen
from bridge.display.text import cut
from bridge.display.topics import bridges
from bridge.units import DisplayUnits

_TOLD = 3
"""Lines of the story that stay in sight."""


def lines(heard: Heard, told: Sequence[str], waits_for: str, rows: int = 60) -> list[str]:
    """The screen, in at most so many rows, of which the story has what it needs."""
    goal = [f"waiting: {waits_for}"] if waits_for else []
    story = [cut(line, WIDTH) for line in (*told[-_TOLD:], *goal)]
    found = bridges(heard.kept, heard.root.split("/", 1)[0], DisplayUnits(), {})
    view = screen(Watch("the demo's broker"), found, None)
    return ["", *cropped(view, rows - len(story) - 2), "", *story]
