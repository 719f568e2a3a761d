"""A page of the manual as plain text for a terminal, and as HTML for a browser without internet. Core.

The Markdown is limited to the forms that the manual uses: headings, paragraphs, lists, quotations, tables and
fenced code. In the terminal code is never wrapped, so that it can be copied, and a table becomes one indented
entry per row, because its cells hold sentences and a terminal is too narrow for them side by side. In HTML
each heading, and each row of a table whose first cell is an id, is an anchor that an alarm can link to.
"""

import re
import textwrap
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from html import escape

_COMMENT = re.compile(r"<!--.*?-->\n?", re.DOTALL)
_FENCE = re.compile(r"^```[^\n]*\n(.*?)^```$", re.DOTALL | re.MULTILINE)
_ITEM = re.compile(r"(?:[-*]|\d+\.) +")
_CELL_END = re.compile(r"(?<!\\)\|")
_LINK = re.compile(r"\[([^\]]+)\]\(([^)]+)\)")
_MARKUP = re.compile(r"\*\*|`")
_SPAN = re.compile(r"`([^`]+)`|\*\*(.+?)\*\*|\[([^\]]+)\]\(([^)]+)\)|\*([^*\s][^*]*)\*")
_ID_CELL = re.compile(r"`([a-z0-9][a-z0-9-]*)`")
_NO_ANCHOR = re.compile(r"[^\w\s-]")
_CODE_INDENT = "    "
_BETWEEN = "   "


@dataclass(frozen=True, slots=True)
class _Code:
    text: str


@dataclass(frozen=True, slots=True)
class _Heading:
    level: int
    words: str
    below: "_Block | None"
    """The block that follows without an empty line."""


@dataclass(frozen=True, slots=True)
class _Table:
    head: list[str]
    rows: list[list[str]]


@dataclass(frozen=True, slots=True)
class _Quotation:
    text: str


@dataclass(frozen=True, slots=True)
class _List:
    items: list[tuple[str, str]]
    """The marker of each item, and its text."""


@dataclass(frozen=True, slots=True)
class _Paragraph:
    text: str


_Block = _Code | _Heading | _Table | _Quotation | _List | _Paragraph


def _blocks(page: str) -> Iterator[_Block]:
    # The pattern has one group, so that prose and code alternate.
    for number, part in enumerate(_FENCE.split(_COMMENT.sub("", page))):
        if number % 2:
            yield _Code(part)
        else:
            for one in re.split(r"\n\s*\n", part):
                lines = [line for line in one.splitlines() if line.strip()]
                if lines:
                    yield _block(lines)


def _block(lines: Sequence[str]) -> _Block:
    first = lines[0]
    if first.startswith("#"):
        words = first.lstrip("#")
        below = _block(lines[1:]) if lines[1:] else None
        return _Heading(len(first) - len(words), words.strip(), below)
    if first.startswith("|"):
        head, _, *rows = [
            [cell.replace("\\|", "|").strip() for cell in _CELL_END.split(line.strip().strip("|"))]
            for line in lines
        ]
        return _Table(head, rows)
    if first.startswith(">"):
        return _Quotation(" ".join(line.lstrip("> ") for line in lines))
    if _ITEM.match(first):
        items: list[tuple[str, str]] = []
        for line in lines:
            match = _ITEM.match(line)
            if match:
                items.append((match[0], line[match.end() :].strip()))
            else:
                items[-1] = (items[-1][0], f"{items[-1][1]} {line.strip()}")
        return _List(items)
    return _Paragraph(" ".join(line.strip() for line in lines))


def plain_text(page: str, width: int) -> str:
    """Render a page of the manual as plain text.

    Args:
        page: The Markdown.
        width: The columns that a line may take; code may take more.

    Returns:
        The text, with a line end after its last line.
    """
    return "\n\n".join(_in_plain_text(block, width) for block in _blocks(page)) + "\n"


def _in_plain_text(block: _Block, width: int) -> str:
    match block:
        case _Code(text):
            return textwrap.indent(text.rstrip("\n"), _CODE_INDENT)
        case _Heading(level, words, below):
            title = _plain(words)
            rest = [] if below is None else [_in_plain_text(below, width)]
            return "\n".join([title, ("=" if level == 1 else "-") * len(title), *rest])
        case _Table(head, rows):
            return _entries([_plain(cell) for cell in head], rows, width)
        case _Quotation(text):
            return _wrapped(text, width, _CODE_INDENT, _CODE_INDENT)
        case _List(items):
            return "\n".join(_wrapped(text, width, marker, " " * len(marker)) for marker, text in items)
        case _Paragraph(text):
            return _wrapped(text, width)


def _entries(head: Sequence[str], rows: Sequence[Sequence[str]], width: int) -> str:
    labelled = len(head) > 2
    entries = []
    for row in rows:
        first, *others = map(_plain, row)
        entry = [_wrapped(first, width, "", "  ")]
        texts = [
            f"{label}: {cell}" if labelled else cell for label, cell in zip(head[1:], others, strict=False)
        ]
        # Several labelled texts hang under their labels; one explanation is a plain paragraph.
        hanging = "      " if labelled else "    "
        entry += [_wrapped(text, width, "    ", hanging) for text in _packed(texts, width - 4)]
        entries.append("\n".join(entry))
    return "\n".join(entries)


def _packed(texts: Sequence[str], width: int) -> list[str]:
    """Join short texts to lines, so that a row of a table takes few of them."""
    lines: list[str] = []
    for text in texts:
        if lines and len(lines[-1]) + len(_BETWEEN) + len(text) <= width:
            lines[-1] += _BETWEEN + text
        else:
            lines.append(text)
    return lines


def _plain(text: str) -> str:
    return _MARKUP.sub("", _LINK.sub(_plain_link, text))


def _plain_link(match: re.Match[str]) -> str:
    text, target = match[1], match[2].partition("#")[0]
    if target.startswith("https://"):
        return f"{text} ({match[2]})"
    if target.endswith(".md") and "/" not in target:
        topic = target.removesuffix(".md")
        return f'"clearwell manual {topic}"' if text == topic else f'{text} ("clearwell manual {topic}")'
    return text


def _wrapped(text: str, width: int, first: str = "", others: str = "") -> str:
    return textwrap.fill(
        _plain(text),
        width,
        initial_indent=first,
        subsequent_indent=others,
        break_long_words=False,
        break_on_hyphens=False,
    )


def html_of(topic: str, page: str, titles: Mapping[str, str]) -> str:
    """Render a page of the manual.

    Args:
        topic: The name of the page.
        page: Its Markdown.
        titles: The title of every page by its topic, for the list of pages.

    Returns:
        The document. It refers to the style sheet of the page and to other pages of the manual only.
    """
    listed = "".join(
        f'<li><a href="/manual/{escape(one)}"{" aria-current=page" if one == topic else ""}>'
        f"{escape(title)}</a></li>"
        for one, title in titles.items()
    )
    return (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>{escape(titles[topic])}</title>\n"
        '<link rel="stylesheet" href="/static/manual.css">\n</head>\n<body>\n'
        f"<main>\n{_body(page)}</main>\n"
        f'<nav aria-label="Pages of the manual">\n<h2>The manual</h2>\n<ul>{listed}</ul>\n'
        '<p><a href="/">To the reservoirs</a></p>\n</nav>\n</body>\n</html>\n'
    )


def title_of(page: str) -> str:
    """Return the title of a page: its first line without its mark."""
    return page.partition("\n")[0].lstrip("# ").strip()


def anchor_of(heading: str) -> str:
    """Return the anchor of a heading, as links within the manual write it."""
    return re.sub(r"\s+", "-", _NO_ANCHOR.sub("", heading.replace("`", "").lower()).strip())


def _body(page: str) -> str:
    anchors: set[str] = set()
    return "".join(_in_html(block, anchors) for block in _blocks(page))


def _in_html(block: _Block, anchors: set[str]) -> str:
    match block:
        case _Code(text):
            return f'<pre tabindex="0"><code>{escape(text)}</code></pre>\n'
        case _Heading(level, words, below):
            anchor = anchor_of(words)
            # Where a page has the same heading twice, links mean the first one.
            mark = "" if anchor in anchors else f' id="{escape(anchor)}"'
            anchors.add(anchor)
            head = f"<h{level}{mark}>{_marked(words)}</h{level}>\n"
            return head if below is None else head + _in_html(below, anchors)
        case _Table(head, rows):
            return _table(head, rows, anchors)
        case _Quotation(text):
            return f"<blockquote><p>{_marked(text)}</p></blockquote>\n"
        case _List(items):
            kind = "ol" if items[0][0][0].isdigit() else "ul"
            return f"<{kind}>{''.join(f'<li>{_marked(text)}</li>' for _, text in items)}</{kind}>\n"
        case _Paragraph(text):
            return f"<p>{_marked(text)}</p>\n"


def _table(head: Sequence[str], rows: Sequence[Sequence[str]], anchors: set[str]) -> str:
    columns = "".join(f'<th scope="col">{_marked(cell)}</th>' for cell in head)
    body = []
    for first, *others in rows:
        found = _ID_CELL.fullmatch(first)
        anchor = ""
        if found and found[1] not in anchors:
            anchors.add(found[1])
            anchor = f' id="{found[1]}"'
        cells = "".join(
            f'<td data-column="{escape(column)}">{_marked(cell)}</td>'
            for column, cell in zip(head[1:], others, strict=False)
        )
        body.append(f'<tr{anchor}><th scope="row">{_marked(first)}</th>{cells}</tr>\n')
    return (
        f'<div class="table" tabindex="0"><table><thead><tr>{columns}</tr></thead>\n'
        f"<tbody>{''.join(body)}</tbody></table></div>\n"
    )


def _marked(text: str) -> str:
    made, at = [], 0
    for match in _SPAN.finditer(text):
        made.append(escape(text[at : match.start()]))
        at = match.end()
        code, strong, linked, target, stressed = match.groups()
        if code is not None:
            made.append(f"<code>{escape(code)}</code>")
        elif strong is not None:
            made.append(f"<strong>{_marked(strong)}</strong>")
        elif stressed is not None:
            made.append(f"<em>{_marked(stressed)}</em>")
        else:
            made.append(_link(linked, target))
    return "".join(made) + escape(text[at:])


def _link(words: str, target: str) -> str:
    page, _, anchor = target.partition("#")
    if target.startswith("https://"):
        where = target
    elif page == "" or (page.endswith(".md") and "/" not in page):
        where = (f"/manual/{page.removesuffix('.md')}" if page else "") + (f"#{anchor}" if anchor else "")
    else:
        # A file of the repository, which the page does not serve.
        return _marked(words)
    return f'<a href="{escape(where)}">{_marked(words)}</a>'
