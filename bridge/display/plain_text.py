"""A page of Markdown as plain text, wrapped to the width of a terminal.

It knows the few forms that the manual uses: headings, paragraphs, lists, quotations, tables and fenced code.
Code is never wrapped, so that it can be copied. A table becomes one indented entry per row, because its cells
hold sentences and a terminal is too narrow for them side by side.
"""

import re
import textwrap
from collections.abc import Sequence

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
