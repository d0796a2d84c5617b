"""One writer at a time: a lock on a folder, beside which stands who holds it."""

import contextlib
import json
import os
import socket
import time
from pathlib import Path

from sitefinder.errors import InputError
from sitefinder.pipeline.durable import read_json

# The lock itself, which is the operating system's, and beside it a file that names its holder.
LOCK, HOLDER = "lock", "lock-holder.json"


@contextlib.contextmanager
def locked(folder):
    """Hold a folder against all other runs.

    Parameters
    ----------
    folder : Path
        Must exist. The file ``lock-holder.json`` in it names the holder and is gone when nobody holds it.

    Raises
    ------
    InputError
        If another process holds it, on this machine or, as far as the holder's file says, on another one.

    Notes
    -----
    The lock is the operating system's and ends with the process, however that ends; what a killed process left is
    taken over. Where a shared disk does not carry such locks from one machine to another, what the file says of
    another machine is believed, since nobody here can know whether that process lives.
    """
    from filelock import FileLock, Timeout

    holder_file, lock = Path(folder, HOLDER), FileLock(Path(folder, LOCK), timeout=0)
    try:
        lock.acquire()
    except Timeout:
        raise _held(folder, _holder(holder_file)) from None
    try:
        holder = _holder(holder_file)
        if holder and holder.get("host") != socket.gethostname():
            raise _held(folder, holder)
        me = {"pid": os.getpid(), "host": socket.gethostname(), "since": time.strftime("%Y-%m-%d %H:%M:%S")}
        holder_file.write_text(json.dumps(me), encoding="utf-8")
        try:
            yield
        finally:
            holder_file.unlink(missing_ok=True)
    finally:
        lock.release()


# Who holds the lock as the file says; empty where it names nobody, or nothing that can be read.
def _holder(path):
    said = read_json(path)
    return said if isinstance(said, dict) else {}


def _held(folder, holder):
    elsewhere = holder and holder.get("host") != socket.gethostname()
    fix = "wait until it has ended, or run with --no-store"
    if elsewhere:
        fix += f"; if it has ended for certain, delete {Path(folder, HOLDER)}"
    return InputError.of(
        "another run is using the store of results",
        folder=folder,
        expected="one run at a time",
        found=f"process {holder.get('pid', '?')} on {holder.get('host', '?')}, since {holder.get('since', '?')}",
        fix=fix,
    )
