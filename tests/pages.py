"""The words on the pages of a PDF."""

from __future__ import annotations

from pathlib import Path

import pypdfium2


def page_texts(path: Path) -> list[str]:
    """Text of each page, a line of the page a line."""
    document = pypdfium2.PdfDocument(path)
    return [page.get_textpage().get_text_bounded().replace("\r\n", "\n") for page in document]
