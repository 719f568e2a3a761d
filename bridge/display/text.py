"""Plain text for a terminal: the width of columns, and a page of Markdown. Core.

Letters of East Asian scripts and most pictographs take two columns, combining marks none (Unicode Standard
Annex 11, East Asian Width). Where terminals differ, the greater width counts, so that no line is too long.

The Markdown is limited to the forms that the manual uses: headings, paragraphs, lists, quotations, tables and
fenced code. Code is never wrapped, so that it can be copied. A table becomes one indented entry per row,
because its cells hold sentences and a terminal is too narrow for them side by side.
"""

import re
import textwrap
import unicodedata
from collections.abc import Iterator, Sequence

_EMOJI_SIGN = "\ufe0f"
"""Turns the character before it into an emoji, which takes two columns instead of one."""
_FIRST_PICTURE = "\u2600"


def printable(text: str) -> str:
    r"""Replace every character that is not printable by its escape, such as ``\x1b``.

    Some words come from strangers who may publish on the broker or send a command. Such a word must not move
    the terminal's cursor or make one line look like another.
    """
    return text if text.isprintable() else "".join(map(_printable, text))


def width(text: str) -> int:
    """Return the greatest number of columns that a printable text takes."""
    return len(text) if text.isascii() else sum(map(_width, text))


def cut(text: str, columns: int) -> str:
    """Make a text printable and cut it to a number of columns; three dots mark the cut."""
    text = printable(text)
    if width(text) <= columns:
        return text
    return f"{next(_pieces(text, max(columns - 3, 0)), '')}{'...'[: max(columns, 0)]}"


def wrapped(text: str, columns: int) -> list[str]:
    """Make a text printable and break it into lines, at least one, of a number of columns (two or more)."""
    made: list[str] = []
    line = ""
    for word in printable(text).split():
        joined = f"{line} {word}" if line else word
        if width(joined) <= columns:
            line = joined
            continue
        if line:
            made.append(line)
        *full, line = _pieces(word, columns)
        made += full
    return [*made, line] if line or not made else made


_LABEL = re.compile(r" *\S(?:\S| (?! )){0,28}  +(?=\S)|\[.\] +\S+ +| *(?:[-*]|\d+\.) +| +")
"""The start of a line that its other lines leave free: a label with a column after it, a sign, or blanks."""


def folded(line: str, columns: int) -> str:
    """Wrap one line between its words; later lines stand under its text, beside its label.

    A word that is longer than a line, such as a path, is not broken, so that it can be copied.
    """
    if width(line) <= columns:
        return line
    label = _LABEL.match(line)
    indent = label.end() if label is not None and label.end() <= columns // 2 else 0
    return textwrap.fill(
        line[indent:],
        columns,
        initial_indent=line[:indent],
        subsequent_indent=" " * indent,
        break_long_words=False,
        break_on_hyphens=False,
    )


def padded(text: str, columns: int) -> str:
    """Cut a text, or fill it up with blanks, to a number of columns."""
    text = cut(text, columns)
    return text + " " * (columns - width(text))


def _printable(one: str) -> str:
    return one if one.isprintable() else ascii(one)[1:-1]


def _width(one: str) -> int:
    if one == _EMOJI_SIGN:
        return 1
    category = unicodedata.category(one)
    if unicodedata.combining(one) or category in ("Mn", "Me"):
        return 0
    if one >= _FIRST_PICTURE and category in ("So", "No"):
        # Newer versions of Unicode make more of them wide than the table in Python does.
        return 2
    return 2 if unicodedata.east_asian_width(one) in ("W", "F") else 1


def _pieces(text: str, columns: int) -> Iterator[str]:
    """Yield a text in pieces of at most so many columns; none if a character is wider than that."""
    piece, taken = "", 0
    for one in text:
        more = _width(one)
        if taken + more > columns and piece:
            yield piece
            piece, taken = "", 0
        if more > columns:
            continue
        piece, taken = piece + one, taken + more
    if piece:
        yield piece


_COMMENT = re.compile(r"<!--.*?-->\n?", re.DOTALL)
_FENCE = re.compile(r"^```[^\n]*\n(.*?)^```$", re.DOTALL | re.MULTILINE)
_ITEM = re.compile(r"(?:[-*]|\d+\.) +")
_LINK = re.compile(r"\[([^\]]+)\]\(([^)]+)\)")
_MARKUP = re.compile(r"\*\*|`")
_CELL_END = re.compile(r"(?<!\\)\|")
_CODE_INDENT = "    "


def plain_text(page: str, width: int) -> str:
    """Renders a page.

    Args:
        page: The Markdown.
        width: The columns that a line may take; code may take more.

    Returns:
        The text, with a line end after its last line.
    """
    blocks: list[str] = []
    # The pattern has one group, so that prose and code alternate.
    for number, part in enumerate(_FENCE.split(_COMMENT.sub("", page))):
        if number % 2:
            blocks.append(textwrap.indent(part.rstrip("\n"), _CODE_INDENT))
        else:
            blocks += [
                _block(block.splitlines(), width) for block in re.split(r"\n\s*\n", part) if block.strip()
            ]
    return "\n\n".join(blocks) + "\n"


def _block(lines: Sequence[str], width: int) -> str:
    lines = [line for line in lines if line.strip()]
    first = lines[0]
    if first.startswith("#"):
        title = _inline(first.lstrip("#").strip())
        rest = [_block(lines[1:], width)] if lines[1:] else []
        return "\n".join([title, ("=" if first.startswith("# ") else "-") * len(title), *rest])
    if first.startswith("|"):
        return _table(lines, width)
    if first.startswith(">"):
        return _wrapped(" ".join(line.lstrip("> ") for line in lines), width, _CODE_INDENT, _CODE_INDENT)
    if _ITEM.match(first):
        return _list(lines, width)
    return _wrapped(" ".join(lines), width)


def _list(lines: Sequence[str], width: int) -> str:
    items: list[list[str]] = []
    for line in lines:
        if _ITEM.match(line):
            items.append([])
        items[-1].append(line.strip())
    texts = []
    for item in items:
        text = " ".join(item)
        match = _ITEM.match(text)
        marker = match[0] if match else ""
        texts.append(_wrapped(text[len(marker) :], width, marker, " " * len(marker)))
    return "\n".join(texts)


def _table(lines: Sequence[str], width: int) -> str:
    head, _, *rows = [
        [_inline(cell.replace("\\|", "|").strip()) for cell in _CELL_END.split(line.strip().strip("|"))]
        for line in lines
    ]
    labelled = len(head) > 2
    entries = []
    for first, *others in rows:
        entry = [_wrapped(first, width, "", "  ")]
        for label, cell in zip(head[1:], others, strict=False):
            entry.append(_wrapped(f"{label}: {cell}" if labelled else cell, width, "    ", "      "))
        entries.append("\n".join(entry))
    return "\n".join(entries)


def _inline(text: str) -> str:
    return _MARKUP.sub("", _LINK.sub(_link, text))


def _link(match: re.Match[str]) -> str:
    text, target = match[1], match[2].partition("#")[0]
    if target.startswith("https://"):
        return f"{text} ({match[2]})"
    if target.endswith(".md") and "/" not in target:
        topic = target.removesuffix(".md")
        return f'"clearwell manual {topic}"' if text == topic else f'{text} ("clearwell manual {topic}")'
    return text


def _wrapped(text: str, width: int, first: str = "", others: str = "") -> str:
    return textwrap.fill(
        _inline(text),
        width,
        initial_indent=first,
        subsequent_indent=others,
        break_long_words=False,
        break_on_hyphens=False,
    )
