"""Renders the page as a PDF with WeasyPrint. Shell: rendering loads no external file."""

from importlib import import_module
from typing import Any

from bridge.errors import InputError

PAPERS = ("a4", "letter")


def pdf(html: str, paper: str) -> bytes:
    """Renders a page as PDF.

    Args:
        html: The page.
        paper: One of :data:`PAPERS`.

    Returns:
        The PDF.

    Raises:
        InputError: WeasyPrint, or a system library that it needs, is not installed.
    """
    try:
        library = import_module("weasyprint")
    except (ImportError, OSError) as error:
        # Without the system's Pango the import raises an OSError.
        raise InputError(
            "report: a PDF needs the library weasyprint and the system's Pango, which are not installed; "
            "pip install 'clearwell-bridge[report]' and Debian's package libpangoft2-1.0-0 bring them. "
            "A name in .html needs neither"
        ) from error
    sheet = library.CSS(string=f"@page {{ size: {paper} }}")
    document = library.HTML(string=html, url_fetcher=_refuse).write_pdf(stylesheets=[sheet], pdf_tags=True)
    assert isinstance(document, bytes)
    return document


def _refuse(url: str, *_: Any, **__: Any) -> dict[str, Any]:
    raise ValueError(f"the report must not load external files, but it refers to {url}")
