"""A page of the manual as HTML, for a browser without internet. Core.

The Markdown has the forms that :mod:`bridge.display.text` names. Each heading, and each row of a table whose
first cell is an id, is an anchor, so that an alarm can link to its own row.
"""

import re
from collections.abc import Mapping, Sequence
from html import escape

_COMMENT = re.compile(r"<!--.*?-->\n?", re.DOTALL)
_FENCE = re.compile(r"^```[^\n]*\n(.*?)^```$", re.DOTALL | re.MULTILINE)
_ITEM = re.compile(r"(?:[-*]|\d+\.) +")
_CELL_END = re.compile(r"(?<!\\)\|")
_SPAN = re.compile(r"`([^`]+)`|\*\*(.+?)\*\*|\[([^\]]+)\]\(([^)]+)\)|\*([^*\s][^*]*)\*")
_ID_CELL = re.compile(r"`([a-z0-9][a-z0-9-]*)`")
_NO_ANCHOR = re.compile(r"[^\w\s-]")


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
    made: list[str] = []
    anchors: set[str] = set()
    # The pattern has one group, so that prose and code alternate.
    for number, part in enumerate(_FENCE.split(_COMMENT.sub("", page))):
        if number % 2:
            made.append(f'<pre tabindex="0"><code>{escape(part)}</code></pre>\n')
        else:
            made += [_block(one.splitlines(), anchors) for one in re.split(r"\n\s*\n", part) if one.strip()]
    return "".join(made)


def _block(lines: Sequence[str], anchors: set[str]) -> str:
    lines = [line for line in lines if line.strip()]
    first = lines[0]
    if first.startswith("#"):
        level = len(first) - len(first.lstrip("#"))
        words = first.lstrip("#").strip()
        anchor = anchor_of(words)
        # Where a page has the same heading twice, links mean the first one.
        mark = "" if anchor in anchors else f' id="{escape(anchor)}"'
        anchors.add(anchor)
        head = f"<h{level}{mark}>{_inline(words)}</h{level}>\n"
        return head + (_block(lines[1:], anchors) if lines[1:] else "")
    if first.startswith("|"):
        return _table(lines, anchors)
    if first.startswith(">"):
        return f"<blockquote><p>{_inline(' '.join(line.lstrip('> ') for line in lines))}</p></blockquote>\n"
    if _ITEM.match(first):
        return _list(lines)
    return f"<p>{_inline(' '.join(line.strip() for line in lines))}</p>\n"


def _list(lines: Sequence[str]) -> str:
    items: list[str] = []
    for line in lines:
        match = _ITEM.match(line)
        if match:
            items.append(line[match.end() :].strip())
        else:
            items[-1] += f" {line.strip()}"
    kind = "ol" if lines[0][0].isdigit() else "ul"
    return f"<{kind}>{''.join(f'<li>{_inline(item)}</li>' for item in items)}</{kind}>\n"


def _table(lines: Sequence[str], anchors: set[str]) -> str:
    head, _, *rows = [
        [cell.replace("\\|", "|").strip() for cell in _CELL_END.split(line.strip().strip("|"))]
        for line in lines
    ]
    columns = "".join(f'<th scope="col">{_inline(cell)}</th>' for cell in head)
    body = []
    for first, *others in rows:
        found = _ID_CELL.fullmatch(first)
        anchor = ""
        if found and found[1] not in anchors:
            anchors.add(found[1])
            anchor = f' id="{found[1]}"'
        cells = "".join(
            f'<td data-column="{escape(column)}">{_inline(cell)}</td>'
            for column, cell in zip(head[1:], others, strict=False)
        )
        body.append(f'<tr{anchor}><th scope="row">{_inline(first)}</th>{cells}</tr>\n')
    return (
        f'<div class="table" tabindex="0"><table><thead><tr>{columns}</tr></thead>\n'
        f"<tbody>{''.join(body)}</tbody></table></div>\n"
    )


def _inline(text: str) -> str:
    made, at = [], 0
    for match in _SPAN.finditer(text):
        made.append(escape(text[at : match.start()]))
        at = match.end()
        code, strong, linked, target, stressed = match.groups()
        if code is not None:
            made.append(f"<code>{escape(code)}</code>")
        elif strong is not None:
            made.append(f"<strong>{_inline(strong)}</strong>")
        elif stressed is not None:
            made.append(f"<em>{_inline(stressed)}</em>")
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
        return _inline(words)
    return f'<a href="{escape(where)}">{_inline(words)}</a>'
