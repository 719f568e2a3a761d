"""The manual in the browser: every page, every link within it, and an anchor for each fault."""

import re
from html.parser import HTMLParser

import pytest

from bridge.commands.help import PAGES
from bridge.display.manual_page import html_of, plain_text, title_of
from bridge.guard.faults import FAULTS

PAGE = {topic: page.read_text("utf-8") for topic, page in PAGES.items()}
TITLES = {topic: title_of(page) for topic, page in PAGE.items()}
VOID = {"meta", "link"}


class Read(HTMLParser):
    """The anchors, links and words of a document, and whether its elements are closed in order."""

    def __init__(self, document: str) -> None:
        super().__init__()
        self.anchors: set[str] = set()
        self.links: list[str] = []
        self.words: list[str] = []
        self._open: list[str] = []
        self.feed(document)
        self.close()
        assert self._open == []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        found = dict(attrs)
        if found.get("id"):
            assert found["id"] not in self.anchors, f"two elements are {found['id']}"
            self.anchors.add(str(found["id"]))
        if tag == "a":
            self.links.append(str(found["href"]))
        if tag not in VOID:
            self._open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self._open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.words += data.split()


READ = {topic: Read(html_of(topic, page, TITLES)) for topic, page in PAGE.items()}


@pytest.mark.parametrize("topic", PAGE)
def test_each_page_has_the_words_of_the_terminal_and_no_mark_of_its_source(topic: str) -> None:
    shown = "".join(READ[topic].words)
    # In the terminal, a link stands as its address or its command after the words.
    text = re.sub(r"\(https://[^)]*\)|\\?\"clearwell manual [a-z-]+\"", "", plain_text(PAGE[topic], 100))
    for word in re.findall(r"[a-zA-Z]{6,}", text):
        assert word in shown
    assert "](" not in shown
    assert "**" not in shown


@pytest.mark.parametrize("topic", PAGE)
def test_each_link_leads_to_a_place_that_exists(topic: str) -> None:
    for link in READ[topic].links:
        if link.startswith("https://") or link == "/":
            continue
        page, _, anchor = link.partition("#")
        target = page.removeprefix("/manual/") or topic
        assert target in READ, link
        assert not anchor or anchor in READ[target].anchors, link


def test_each_fault_has_its_own_place() -> None:
    assert {fault.value for fault in FAULTS} <= READ["faults"].anchors


def test_text_is_never_markup() -> None:
    page = "# A <b>title</b>\n\nText with `<script>` and **<i>**.\n\n```\n<pre>\n```\n"
    made = html_of("x", page, {"x": title_of(page)})
    assert not re.search(r"<(b|script|i)>", made)
    assert "&lt;script&gt;" in made
