"""Reads lines by the protocol page, without the code and the tables of the codec.

This reader is written from sections 2 to 4 of ``firmware_notes/protocol.md`` only.
"""

import re

_WHOLE = re.compile(r"0|[1-9][0-9]*")
_NUMBER = re.compile(r"-?[0-9]+(\.[0-9]+)?")
_TOKEN = re.compile(r"[A-Za-z0-9._+-]+")
_NAME = re.compile(r"[a-z][a-z0-9]*")
_KIND = re.compile(r"[a-z]+")
_BOOTS = ("power", "brownout", "watchdog", "pin", "software", "unknown")


class UnusableError(Exception):
    """The line has no usable message."""


def said(line: bytes, to_controller: bool) -> list[object] | None:
    """Return the message of a line with a correct start, version, bytes and CRC, or None if it is unusable.

    The format is that of ``described`` in ``test_vectors.py``: the kind, and the fields by name.
    """
    try:
        return _said(line[:-9].decode("ascii"), to_controller)
    except UnusableError:
        return None


def _said(text: str, to_controller: bool) -> list[object]:
    start, *words = text.split(" ")
    if len(start) != 2 or len(words) < 2 or not _KIND.fullmatch(words[1]):
        raise UnusableError
    fields: dict[str, str] = {}
    for word in words[2:]:
        name, equals, value = word.partition("=")
        if not equals or not _NAME.fullmatch(name) or name in fields or set(value) & set("=*<>"):
            raise UnusableError
        fields[name] = value
    sequence = _whole(words[0], 0, 65535)
    says = (_to_controller if to_controller else _to_bridge)(words[1], fields)
    return [words[1], {"seq": sequence, **says}]


def _to_controller(kind: str, fields: dict[str, str]) -> dict[str, object]:
    match kind:
        case "lease" | "drain":
            return {"ms": _whole(fields.get("ms"), 1, 65535)}
        case "close" | "identify":
            return {}
    raise UnusableError


def _to_bridge(kind: str, fields: dict[str, str]) -> dict[str, object]:
    get = fields.get
    match kind:
        case "hello":
            boot = _token(get("boot"), 16)
            return {
                "id": _token(get("id"), 24), "fw": _token(get("fw"), 16),
                "boot": boot if boot in _BOOTS else "unknown",
                "lease": _whole(get("lease"), 1, 65535), "fit": _whole(get("fit"), 0, 65535),
                **({"ps": _measured(get("ps"))} if "ps" in fields else {}),
            }  # fmt: skip
        case "reading":
            if not {"p", "pt"} <= set(fields) or not re.fullmatch("[10-]{3}", get("sw", "---")):
                raise UnusableError
            values = {name: _measured(get(name)) for name in ("p", "pt", "f", "ft", "lv")}
            return {
                "path": _path(get("path")), **values,
                "sw": get("sw", "---"), "n": _whole(get("n"), 0, 4294967295) if "n" in fields else "-",
                "err": _whole(get("err", "0"), 0, 65535),
            }  # fmt: skip
        case "ack":
            return {"of": _whole(get("of"), 0, 65535), "path": _path(get("path"))}
        case "no":
            return {"of": _whole(get("of"), 0, 65535), "why": _token(get("why"), 16)}
    raise UnusableError


def _whole(text: str | None, least: int, most: int) -> int:
    if text is None or not _WHOLE.fullmatch(text) or len(text) > 10 or not least <= int(text) <= most:
        raise UnusableError
    return int(text)


def _token(text: str | None, most: int) -> str:
    if text is None or not _TOKEN.fullmatch(text) or len(text) > most:
        raise UnusableError
    return text


def _path(text: str | None) -> str:
    if text not in ("shut", "fill", "drain"):
        raise UnusableError
    return text


def _measured(text: str | None) -> object:
    if text is None:
        return "-"
    return float(text) if _NUMBER.fullmatch(text) and len(text) <= 10 else "?"
