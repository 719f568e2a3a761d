"""What people write by habit where TOML wants something else, by the line that the reader refused. Core."""

import re

_PLACE = re.compile(r"\(at line (\d+), column \d+\)")
_VALUE = r"^\s*[\w.\"'-]+\s*=\s*"
_NUMBER = r"[+-]?\d*\.?\d+"

_BY_LINE = (
    (r"[“”„‘’«»]", "write straight quotation marks (\" or '), not curly ones"),
    (r"^\s*//", "a comment begins with #, not with //"),
    (r";\s*(#.*)?$", "leave the semicolon out"),
    (rf"{_VALUE}(True|TRUE|yes|Yes|on|On)\b", "write true, in lower case"),
    (rf"{_VALUE}(False|FALSE|no|No|off|Off)\b", "write false, in lower case"),
    (rf"{_VALUE}\d+,\d+\s*(#.*)?$", "write a decimal point, such as 0.58, not a comma"),
    (rf"{_VALUE}[+-]?\.\d", "write a zero before the point, such as 0.58"),
    (rf"{_VALUE}[+-]?\d+\.(?!\d)", "write a digit after the point, such as 1.0"),
    (
        rf"{_VALUE}{_NUMBER}\s*[^\W\d_]",
        "write the number alone; the unit is in the key's name, or number and unit are in quotation marks",
    ),
    (rf"{_VALUE}[^\W\d_]", "put the text into quotation marks"),
    (rf"{_VALUE}(#.*)?$", "give a value after the equals sign"),
    (r"^\s*[\w.-]+\s*:", "write key = value, with an equals sign, not a colon"),
    (
        r"^\s*[{}]",
        "this looks like JSON; write tables such as [reservoir.barrel] and lines such as key = value",
    ),
)
"""A pattern of the line, and what would be right; the first one that fits counts."""

_BY_MESSAGE = (
    ("Illegal character '\\n'", "close the text with a quotation mark in the same line"),
    ("Expected ']' at the end of a table", "close the name of the table with ]"),
    ("Cannot declare", "this table stands further up already; put its keys there"),
    ("Cannot overwrite", "this key stands in the table already; keep one of the two"),
    ("'\\' in a string", "put a text with \\ between single quotation marks"),
)


def toml_hint(text: str, message: str) -> str:
    """Return what would be right at the place that a TOML reader refused.

    Args:
        text: The whole file.
        message: The reader's message, which ends with the line and the column.
    """
    if text.startswith("\ufeff"):
        return "save the file as UTF-8 without a byte order mark"
    for part, right in _BY_MESSAGE:
        if part in message:
            return right
    place = _PLACE.search(message)
    lines = text.split("\n")
    line = lines[int(place[1]) - 1].rstrip("\r") if place and int(place[1]) <= len(lines) else ""
    for pattern, right in _BY_LINE:
        if re.search(pattern, line):
            return right
    return "compare that line with an example in the directory config"
