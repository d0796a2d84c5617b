"""Which version of the program is running: the commit of its checkout, or of the build that was installed."""

import functools
import subprocess
from pathlib import Path
from typing import NamedTuple

from sitefinder import __version__

PACKAGE = Path(__file__).parents[1]
# What a checkout's runs are made of; changes of documents and tests are none of the program's.
PROGRAM = ("sitefinder", "config")
# Git answers in hundredths of a second; on a disk that hangs a run goes on without its answer.
GIT_SECONDS = 10


class Build(NamedTuple):
    """The program that is running.

    Attributes
    ----------
    version : str
    commit : str
        Hexadecimal, abbreviated where only the build knows it; empty where nobody does.
    has_local_changes : bool
        Whether files of the program differ from those of the commit.
    """

    version: str
    commit: str
    has_local_changes: bool

    @property
    def note(self) -> str:
        """What stands beside the commit in provenance."""
        if not self.commit:
            return "commit not known"
        return "with local changes that are in no commit" if self.has_local_changes else ""


@functools.cache
def own_build() -> Build:
    """Version and commit of the running program.

    Returns
    -------
    Build
        Of the checkout that the package lies in, which git is asked for; elsewhere of the build.
    """
    if (PACKAGE.parent / ".git").exists():
        commit = _git("rev-parse", "HEAD")
        changed = None if commit is None else _git("status", "--porcelain", "--", *PROGRAM)
        if commit is not None and changed is not None:
            return Build(__version__, commit.strip(), bool(changed.strip()))
        return Build(__version__, "", False)
    return _of_installation()


# What setuptools-scm wrote into the package when it was built.
def _of_installation() -> Build:
    try:
        from sitefinder._version import commit_id, version
    except ImportError:
        return Build(__version__, "", False)
    # A build from a changed checkout carries its date: 0.1.0.dev7+g34dc026.d20260102.
    local = version.partition("+")[2].split(".")
    return Build(version, (commit_id or "").removeprefix("g"), any(part.startswith("d2") for part in local))


# The answer of git about the checkout; None where there is no git, or it refuses.
def _git(*arguments: str) -> str | None:
    command = ["git", "-C", str(PACKAGE.parent), "--no-optional-locks", *arguments]
    try:
        answer = subprocess.run(command, capture_output=True, text=True, timeout=GIT_SECONDS, check=True)
    except (OSError, subprocess.SubprocessError):
        return None
    return answer.stdout
