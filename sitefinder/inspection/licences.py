"""What a data set says of its licence: in its metadata, or in texts beside it."""

import html
import re
import sqlite3
from typing import NamedTuple

from sitefinder.io.opening import is_database

# A text that is longer is no note beside a data set (own choice) [bytes].
_MAX_BYTES = 500_000
_MAX_TEXTS, _MAX_LINE = 3, 200
_LICENCE = re.compile(
    r"\blicen[cs]es?\b|licen[cs]ed under|released under|copyright|©"
    r"|\bcc[- ]?by\b|\bcc[- ]?0\b|creative commons|open government|terms of use"
    r"|public domain|lizenz|licencia|licenza|useLimitation|useConstraints|otherConstraints|nutzungsbedingung",
    re.I,
)
_NOTES = re.compile(r"^(read[-_ ]?me|licen[cs]e|metadata|copyright|terms|lizenz|liesmich)", re.I)
_ENDINGS = (".txt", ".xml", ".md", "")


class LicenceText(NamedTuple):
    """A line that speaks of a licence, the file that it is in, and whether that is of the data set alone."""

    file: str
    text: str
    is_own: bool


def licence_texts(path):
    """Lines about the licence of a data set, from its own metadata, then from files beside it.

    Parameters
    ----------
    path : Path

    Returns
    -------
    list of LicenceText
        Three at most; empty where nothing speaks of one.
    """
    found = [LicenceText(path.name, line, True) for text in _metadata(path) for line in _lines(text)]
    for file in _beside(path):
        try:
            text = file.read_bytes().decode("utf-8", "replace")
        except OSError:
            # A note that may not be read is none.
            continue
        is_own = file.name.lower().startswith(f"{path.stem.lower()}.")
        found += [LicenceText(file.name, line, is_own) for line in _lines(text)]
    return list(dict.fromkeys(found))[:_MAX_TEXTS]


# Texts beside a data set: those of its own name first, then those of its folder.
def _beside(path):
    stem = path.stem.lower()
    try:
        files = sorted(path.parent.iterdir())
    except OSError:
        return []
    texts = [
        file
        for file in files
        if file != path
        and file.suffix.lower() in _ENDINGS
        and (_NOTES.match(file.name) or file.name.lower().startswith(f"{stem}."))
        and file.is_file()
        and file.stat().st_size <= _MAX_BYTES
    ]
    return sorted(texts, key=lambda file: _NOTES.match(file.name) is not None)


# Metadata that a GeoPackage holds; nothing is written to it, also where its log is open.
def _metadata(path):
    if not path.is_file() or not is_database(path):
        return []
    try:
        connection = sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro&immutable=1", uri=True)
        try:
            rows = connection.execute(f"SELECT substr(metadata, 1, {_MAX_BYTES}) FROM gpkg_metadata LIMIT 20")
            return [str(row[0]) for row in rows]
        finally:
            connection.close()
    except sqlite3.Error:
        return []


# Lines of a text or document that speak of a licence; of a document what stands between its marks.
def _lines(text):
    if text.lstrip().startswith("<"):
        # What an element of a licence holds goes into one line with the element's name.
        text = re.sub(r"<!--.*?-->", " ", text, flags=re.S)
        elements = re.findall(r"<(?:[\w.-]+:)?([\w.-]+)[^<>]*>([^<>]+)<", text)
        parts = [(name, html.unescape(" ".join(value.split()))) for name, value in elements if value.strip()]
        lines = [value for name, value in parts if _LICENCE.search(value) or _LICENCE.search(name)]
    else:
        lines = [" ".join(line.split()) for line in text.splitlines() if _LICENCE.search(line)]
    kept = ["".join(letter if letter.isprintable() else " " for letter in line) for line in lines]
    return [line if len(line) <= _MAX_LINE else line[: _MAX_LINE - 1] + "…" for line in kept]
