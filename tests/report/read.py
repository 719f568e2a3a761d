"""Parses a report: its figures by name, its ids, and whether its tags are closed."""

from dataclasses import dataclass, field
from html.parser import HTMLParser

VOID = {"meta", "br", "link", "img", "hr"}


@dataclass
class Read(HTMLParser):
    """A parsed page."""

    figures: dict[str, list[float]] = field(default_factory=dict)
    shown: dict[str, str] = field(default_factory=dict)
    ids: list[str] = field(default_factory=list)
    refers: list[str] = field(default_factory=list)
    tags: dict[str, int] = field(default_factory=dict)
    words: list[str] = field(default_factory=list)
    named: int = 0
    """Charts with a role and a name."""

    def __post_init__(self) -> None:
        super().__init__()
        self._open: list[str] = []
        self._figure = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        known = {key: value or "" for key, value in attrs}
        self.tags[tag] = self.tags.get(tag, 0) + 1
        if tag not in VOID:
            self._open.append(tag)
        if "id" in known:
            self.ids.append(known["id"])
        self.refers += [
            known[key] for key in ("href", "src", "action", "xlink:href", "srcset") if key in known
        ]
        if tag == "svg" and known.get("role") == "img" and known.get("aria-label"):
            self.named += 1
        if "data-figure" in known:
            self._figure = known["data-figure"]
            self.figures.setdefault(self._figure, []).append(float(known["value"]))

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.handle_starttag(tag, attrs)
        if tag not in VOID:
            self._open.pop()

    def handle_endtag(self, tag: str) -> None:
        assert self._open, f"</{tag}> closes nothing"
        assert self._open.pop() == tag, f"</{tag}> closes something else"

    def handle_data(self, data: str) -> None:
        if self._open and self._open[-1] in ("style", "title", "desc"):
            return
        if self._figure:
            self.shown[self._figure] = data
            self._figure = ""
        self.words.append(data)

    @property
    def text(self) -> str:
        """The visible text, with single spaces."""
        return " ".join(" ".join(self.words).split())

    @property
    def closed(self) -> bool:
        """Whether every tag was closed."""
        return not self._open


def read(html: str) -> Read:
    """Parses a page to its end."""
    page = Read()
    page.feed(html)
    page.close()
    return page
