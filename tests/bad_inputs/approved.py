"""The messages of bad inputs as approved: read, and written again by ``python tests/bad_inputs/approved.py``.

Whoever writes them again reads every changed one: it must say where, what was expected, what was found, and what
to do.
"""

import contextlib
import io
import os
import sys
import tempfile
from pathlib import Path

from cases import CASES
from region import Region

from sitefinder import cli

MESSAGES = Path(__file__).parent / "messages.txt"
HEAD = "=== "


def approved():
    """Message by name of the case."""
    parts = MESSAGES.read_text(encoding="utf-8").rstrip("\n").split(f"\n{HEAD}")
    parts[0] = parts[0].removeprefix(HEAD)
    return dict(part.split("\n", 1) for part in parts)


def refused(arguments):
    """Exit status, standard output and standard error of the command in this process."""
    out, err = io.StringIO(), io.StringIO()
    before, sys.argv = sys.argv, ["sitefinder", *arguments]
    try:
        with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
            cli.main()
        status = 0
    except SystemExit as stopped:
        status = stopped.code or 0
    finally:
        sys.argv = before
    return status, out.getvalue(), err.getvalue()


def main():
    """Write all messages; prints those that changed."""
    old = approved() if MESSAGES.exists() else {}
    home, texts = Path.cwd(), []
    with tempfile.TemporaryDirectory() as sound:
        Region(sound)
        for case in CASES:
            with tempfile.TemporaryDirectory() as folder:
                region = Region(folder, sound)
                os.chdir(folder)
                case.spoil(region)
                _, _, message = refused(["check", "settings.toml"])
                os.chdir(home)
            message = message.replace(folder, "FOLDER").rstrip("\n")
            texts.append(f"{HEAD}{case.name}\n{message}")
            if old.get(case.name) != message:
                print(f"{HEAD}{case.name}\n{message}")
    MESSAGES.write_text("\n".join(texts) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
