"""A report as PDF, for printing and keeping. The page goes in as it is; nothing is fetched from anywhere."""

import hashlib
from typing import Any

from broker_bridge.errors import UsageError


def pdf(page: bytes) -> bytes:
    """The page as a PDF of the size its style sheet names. Raises UsageError without the extra `report`."""
    try:
        from weasyprint import HTML
    except (ImportError, OSError) as error:  # OSError: the library for fonts is not on this machine
        raise UsageError(
            f"PDF needs weasyprint and its library pango ({error}): pip install 'broker-bridge[report]', or take HTML and print it"
        ) from error
    made: bytes = HTML(
        string=page.decode(), url_fetcher=_nothing
    ).write_pdf(
        pdf_tags=True,  # for those who have it read aloud
        pdf_identifier=hashlib.sha256(page).digest()[:16],  # a random one would make every copy another
    )
    return made


def _nothing(url: str, *_: Any, **__: Any) -> dict[str, Any]:
    raise ValueError(f"a report fetches nothing, {url!r} included")
