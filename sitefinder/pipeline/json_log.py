"""The log of a run as JSON lines: what started, finished, was kept or failed, when, and in how much memory."""

from __future__ import annotations

import datetime
import json
import logging
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from sitefinder.errors import InputError
from sitefinder.pipeline.executors import LOGGER, peak_memory_mb

# Besides time, level and message, what a line holds where its event has it.
FIELDS = ("event", "stage", "part", "seconds", "memory_mb")


class JsonLines(logging.Formatter):
    """One JSON object a line.

    ``time`` is in UTC, with milliseconds; ``level`` and ``message`` are as of any log. Of a stage there are
    ``event`` (started, finished, kept), ``stage``, ``part`` (the drainage system or tile, where a stage is done in
    parts), ``seconds`` and ``memory_mb``: the most memory that this process, or a worker, has held so far [MB].

    Examples
    --------
    >>> known = {"msg": "heads: started", "levelname": "INFO", "created": 0.25, "stage": "heads"}
    >>> JsonLines().format(logging.makeLogRecord(known))
    '{"time": "1970-01-01T00:00:00.250Z", "level": "INFO", "message": "heads: started", "stage": "heads"}'
    """

    def format(self, record: logging.LogRecord) -> str:
        """The line of a record."""
        time = datetime.datetime.fromtimestamp(record.created, datetime.UTC)
        line: dict[str, object] = {
            "time": time.isoformat(timespec="milliseconds").replace("+00:00", "Z"),
            "level": record.levelname,
            "message": record.getMessage(),
        }
        line |= {name: getattr(record, name) for name in FIELDS if getattr(record, name, None) is not None}
        if record.exc_info:
            line["traceback"] = self.formatException(record.exc_info)
        return json.dumps(line, ensure_ascii=False)


@contextmanager
def logged_to(path: Path | None, title: str) -> Iterator[None]:
    """While this holds, append what is logged to a file; begin, end and failure too.

    Parameters
    ----------
    path : Path or None
        None: nowhere.
    title : str
        What is run, in the messages of begin and end.

    Raises
    ------
    InputError
        If the file cannot be written.
    """
    if path is None:
        yield
        return
    try:
        handler = logging.FileHandler(path, encoding="utf-8")
    except (OSError, ValueError) as error:
        raise InputError.of(
            "the log cannot be written",
            file=path,
            expected="a file in a folder that is there, and that you may write to",
            found=getattr(error, "strerror", None) or error,
            fix="correct --log",
        ) from None
    handler.setFormatter(JsonLines())
    before = LOGGER.level
    LOGGER.addHandler(handler)
    LOGGER.setLevel(logging.INFO)
    try:
        LOGGER.info("%s: started", title, extra={"event": "started"})
        yield
        LOGGER.info("%s: finished", title, extra={"event": "finished", "memory_mb": _memory_mb()})
    except BaseException as error:
        LOGGER.error("%s: %s", title, error or type(error).__name__, extra={"event": "failed"})
        raise
    finally:
        LOGGER.setLevel(before)
        LOGGER.removeHandler(handler)
        handler.close()


def _memory_mb() -> float | None:
    memory_mb = round(peak_memory_mb(), 1)
    # Where the system does not say.
    return memory_mb if memory_mb == memory_mb else None
