"""The texts of PDF files, of each file once: to read one with pypdf takes a second."""

import io
from functools import lru_cache
from pathlib import Path

from pypdf import PdfReader


def page_texts(path):
    """The text of each page of a PDF file, by pypdf.

    Parameters
    ----------
    path : Path

    Returns
    -------
    tuple of str
        Files with the same bytes are read once.
    """
    return texts_in(Path(path).read_bytes())


@lru_cache(maxsize=8)
def texts_in(content):
    """The text of each page of a PDF file, given by its bytes."""
    return tuple(page.extract_text() for page in PdfReader(io.BytesIO(content)).pages)
