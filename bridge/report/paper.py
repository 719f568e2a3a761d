"""The report on paper: a PDF of the same page. Shell: it calls WeasyPrint, which asks nobody for anything."""

from importlib import import_module
from typing import Any

from bridge.errors import InputError

PAPERS = ("a4", "letter")


def pdf(html: str, paper: str) -> bytes:
    """The page as PDF, on one of :data:`PAPERS`.

    :raises InputError: WeasyPrint, or a library of the system that it needs, is not installed.
    """
    try:
        library = import_module("weasyprint")
    except (ImportError, OSError) as error:
        # Without Pango on the system the import itself ends with an OSError.
        raise InputError(
            "report: a PDF needs the library weasyprint and the system's Pango, which are not installed; "
            "pip install 'clearwell-bridge[report]' and Debian's package libpangoft2-1.0-0 bring them. "
            "A name in .html needs neither"
        ) from error
    sheet = library.CSS(string=f"@page {{ size: {paper} }}")
    made = library.HTML(string=html, url_fetcher=_nothing).write_pdf(stylesheets=[sheet], pdf_tags=True)
    assert isinstance(made, bytes)
    return made


def _nothing(url: str, *_: Any, **__: Any) -> dict[str, Any]:
    raise ValueError(f"the report asks for nothing from elsewhere, and here for {url}")
