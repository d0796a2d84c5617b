"""One writer at a time: a lock on a folder that tells who holds it and ends with the process that took it."""

import contextlib
import json
import os
import socket
import time
from pathlib import Path

from sitefinder.errors import InputError

try:
    import fcntl
except ImportError:  # Windows
    fcntl = None
    import msvcrt

LOCK = "lock"


@contextlib.contextmanager
def locked(folder):
    """Hold a folder against all other runs.

    Parameters
    ----------
    folder : Path
        Must exist. The file ``lock`` in it names the holder; it stays there, empty, when nobody does.

    Raises
    ------
    InputError
        If another process holds it, on this machine or, as far as the lock file tells, on another one.

    Notes
    -----
    The lock is the operating system's and ends with the process, however that ends; a lock file that a killed
    process left is taken over. Where a shared disk does not carry such locks from one machine to another, what the
    file says of another machine is believed, since nobody here can know whether that process lives.
    """
    descriptor = _taken(Path(folder, LOCK))
    try:
        holder = _holder(descriptor)
        if holder and holder.get("host") != socket.gethostname():
            raise _held(folder, holder)
        me = {"pid": os.getpid(), "host": socket.gethostname(), "since": time.strftime("%Y-%m-%d %H:%M:%S")}
        _write(descriptor, json.dumps(me).encode())
        try:
            yield
        finally:
            _write(descriptor, b"")
    finally:
        os.close(descriptor)


# The lock file, opened and held. One that was taken away between opening and holding it is no lock any more.
def _taken(path):
    while True:
        descriptor = os.open(path, os.O_RDWR | os.O_CREAT, 0o600)
        try:
            _take(descriptor)
        except OSError:
            holder = _holder(descriptor)
            os.close(descriptor)
            raise _held(path.parent, holder) from None
        if path.exists() and os.path.samestat(path.stat(), os.fstat(descriptor)):
            return descriptor
        os.close(descriptor)


# Bytes far behind the text are locked on Windows, where nobody else could read locked ones.
def _take(descriptor):
    if fcntl is not None:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    else:
        os.lseek(descriptor, 1 << 20, os.SEEK_SET)
        msvcrt.locking(descriptor, msvcrt.LK_NBLCK, 1)


# Who holds the lock as the file tells it; empty where it tells nobody, or nothing that can be read.
def _holder(descriptor):
    os.lseek(descriptor, 0, os.SEEK_SET)
    try:
        said = json.loads(os.read(descriptor, 4096) or b"{}")
    except ValueError:
        return {}
    return said if isinstance(said, dict) else {}


def _write(descriptor, text):
    os.ftruncate(descriptor, 0)
    os.lseek(descriptor, 0, os.SEEK_SET)
    os.write(descriptor, text)


def _held(folder, holder):
    elsewhere = holder and holder.get("host") != socket.gethostname()
    fix = "wait until it has ended, or run with --no-store"
    if elsewhere:
        fix += f"; if it has ended for certain, delete {Path(folder, LOCK)}"
    return InputError.of(
        "another run is using the store of results",
        folder=folder,
        expected="one run at a time",
        found=f"process {holder.get('pid', '?')} on {holder.get('host', '?')}, since {holder.get('since', '?')}",
        fix=fix,
    )
