"""The files of the page, read once: no request ever reaches the disk, or a path beside them."""

import gzip
import hashlib
from dataclasses import dataclass
from pathlib import Path

from starlette.requests import Request
from starlette.responses import Response

from bridge.web.security import refusal

_TYPES = {
    ".html": "text/html; charset=utf-8",
    ".css": "text/css; charset=utf-8",
    ".js": "text/javascript; charset=utf-8",
    ".mjs": "text/javascript; charset=utf-8",
    ".svg": "image/svg+xml",
    ".png": "image/png",
    ".ico": "image/vnd.microsoft.icon",
    ".txt": "text/plain; charset=utf-8",
    ".webmanifest": "application/manifest+json",
}
_ALREADY_PACKED = frozenset({".png", ".ico"})
FIRST = "index.html"


@dataclass(frozen=True, slots=True)
class File:
    """One file as it is sent."""

    media_type: str
    plain: bytes
    packed: bytes | None
    tag: str


class Files:
    """Every file of a directory that is of a known kind."""

    def __init__(self, directory: Path) -> None:
        self._files = {
            path.relative_to(directory).as_posix(): _read(path)
            for path in sorted(directory.rglob("*"))
            if path.is_file() and path.suffix in _TYPES
        }

    def answer(self, name: str, request: Request) -> Response:
        """The file of that name, as the browser can take it; it asks each time whether it changed."""
        file = self._files.get(name)
        if file is None:
            return refusal(404, "There is no such file.")
        headers = {"etag": file.tag, "cache-control": "no-cache", "vary": "accept-encoding"}
        if request.headers.get("if-none-match") == file.tag:
            return Response(status_code=304, headers=headers)
        if file.packed is not None and "gzip" in request.headers.get("accept-encoding", ""):
            headers["content-encoding"] = "gzip"
            return Response(file.packed, headers=headers, media_type=file.media_type)
        return Response(file.plain, headers=headers, media_type=file.media_type)


def _read(path: Path) -> File:
    plain = path.read_bytes()
    packed = None if path.suffix in _ALREADY_PACKED else gzip.compress(plain, mtime=0)
    return File(_TYPES[path.suffix], plain, packed, f'"{hashlib.sha256(plain).hexdigest()[:16]}"')
