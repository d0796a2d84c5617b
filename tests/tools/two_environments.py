"""The sample region in two clones and two environments: the same bytes of every delivered file.

    python tests/tools/two_environments.py                       both with this Python
    python tests/tools/two_environments.py --install             each in a virtual environment of its own
    python tests/tools/two_environments.py --settings FILE.toml  other settings, inside the checkout

The two differ in folder, working directory, time zone, locale, seed of Python's hashes, number of workers, file
permissions and threads of linear algebra. Clones hold what is committed. With ``--install`` each gets what pip
finds, which takes the network.
"""

import argparse
import hashlib
import locale
import os
import shutil
import subprocess
import sys
import tempfile
import tomllib
from pathlib import Path
from typing import NamedTuple

REPOSITORY = Path(__file__).resolve().parents[2]
ROW = "{:<24} {:>12}  {:<16}  {:<16}"


class Environment(NamedTuple):
    """How a run differs: its variables, workers, permission mask, and whether it starts in its clone."""

    variables: dict
    workers: int
    mask: int
    starts_in_clone: bool


def other_locale():
    """A locale that is not plain C, where this system has one with decimal commas; else C itself."""
    before = locale.setlocale(locale.LC_ALL)
    try:
        for name in ("de_DE.UTF-8", "fr_FR.UTF-8", "tr_TR.UTF-8"):
            try:
                locale.setlocale(locale.LC_ALL, name)
            except locale.Error:
                continue
            return name
    finally:
        locale.setlocale(locale.LC_ALL, before)
    return "C"


def environments():
    """The two environments."""
    first = {"TZ": "UTC", "LC_ALL": "C.UTF-8", "PYTHONHASHSEED": "0", "OPENBLAS_NUM_THREADS": "1"}
    other = {"TZ": "Pacific/Kiritimati", "LC_ALL": other_locale(), "PYTHONHASHSEED": "4321"}
    return [
        Environment(first, 1, 0o022, True),
        Environment(other | {"OPENBLAS_NUM_THREADS": "2"}, 2, 0o077, False),
    ]


def delivered(environment, folder, settings, install):
    """Run in a clone; gives the output folder.

    Parameters
    ----------
    environment : Environment
    folder : Path
        Made for the clone.
    settings : str
        Path of the settings in the checkout.
    install : bool
        Whether in a virtual environment of its own.

    Returns
    -------
    Path
    """
    subprocess.run(["git", "clone", "--quiet", str(REPOSITORY), str(folder)], check=True)
    python = Path(sys.executable)
    variables = {**os.environ, **environment.variables}
    if install:
        subprocess.run([sys.executable, "-m", "venv", folder / ".venv"], check=True)
        python = next(
            folder / ".venv" / part
            for part in ("bin/python", "Scripts/python.exe")
            if (folder / ".venv" / part).exists()
        )
        subprocess.run([python, "-m", "pip", "install", "--quiet", str(folder)], check=True)
        variables.pop("PYTHONPATH", None)
    else:
        variables["PYTHONPATH"] = str(folder)
    command = [str(python), "-m", "sitefinder", "run", str(folder / settings), "--quiet"]
    command += ["--workers", str(environment.workers)]
    masked = {"umask": environment.mask} if hasattr(os, "fork") else {}
    start = folder if environment.starts_in_clone else folder.parent
    subprocess.run(command, cwd=start, env=variables, stdout=subprocess.DEVNULL, check=True, **masked)
    stated = tomllib.loads((folder / settings).read_text(encoding="utf-8"))["run"]["output_folder"]
    return folder / Path(settings).parent / stated


def files_of(folder):
    """Delivered files by name, with digests."""
    return {
        path.name: hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.iterdir())
        if path.is_file() and not path.name.startswith(".")
    }


def main():
    """Run twice and compare."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--settings", default="config/sample.toml", metavar="FILE.toml")
    parser.add_argument("--install", action="store_true", help="in two virtual environments of their own")
    given = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="environments-") as scratch:
        outputs = []
        for number, environment in enumerate(environments(), 1):
            said = ", ".join(f"{name}={value}" for name, value in environment.variables.items())
            print(f"{number}: {said}, {environment.workers} workers, umask {environment.mask:03o}", flush=True)
            # Names of unequal length: a path that got into a file would show.
            folder = Path(scratch) / ("clone" if number == 1 else "a longer name")
            outputs.append(delivered(environment, folder, given.settings, given.install))
        first, other = map(files_of, outputs)
        print(ROW.format("file", "bytes", "first", "second"))
        for name in sorted(first.keys() | other.keys()):
            size = (outputs[0] / name).stat().st_size if name in first else ""
            marks = [files.get(name, "missing")[:16] for files in (first, other)]
            print(ROW.format(name, size, *marks) + ("" if marks[0] == marks[1] else "  differ"))
        same = sum(first.get(name) == digest for name, digest in other.items())
        print(f"{same} of {len(first.keys() | other.keys())} files are the same, byte by byte")
        shutil.rmtree(scratch, ignore_errors=True)
        raise SystemExit(first != other or not first)


if __name__ == "__main__":
    main()
