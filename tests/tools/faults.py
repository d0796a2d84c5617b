"""Kills a process at each of its file operations, and damages files: what a run must survive.

A fork of this process does the work. Python itself says what it is about to do to a file (its audit events: open
to write, rename, link, remove, make or remove a folder, change permissions or times). What is synced is counted
too, so that a file is also left written and not yet synced. At the chosen one the fork gets a signal: SIGKILL,
SIGTERM, or SIGINT as Ctrl-C sends it, which Python turns into an exception and then clears up. Other faults are a
clock that jumps, two processes at once, and a disk that is full.
"""

import ctypes
import errno
import json
import os
import shutil
import signal
import sys
import time
from pathlib import Path

# Events of Python that change a folder; `os.rename` is that of `os.replace` too.
CHANGES = ("os.mkdir", "os.rename", "os.remove", "os.rmdir", "os.link", "os.symlink", "os.chmod", "os.utime")
WRITES = os.O_WRONLY | os.O_RDWR | os.O_CREAT | os.O_TRUNC


def _counted(folder, at, by):
    """From now on, get a signal at this operation (None: never) on files in a folder; gives the count."""
    folder, count = os.path.realpath(folder) + os.sep, [0]

    def lies_within(path):
        if not isinstance(path, str | bytes | os.PathLike):
            return False
        return os.path.abspath(os.fsdecode(path)).startswith(folder)

    def step():
        count[0] += 1
        if count[0] == at:
            os.kill(os.getpid(), by)

    def heard(event, arguments):
        if event == "open":
            path, _, flags = arguments
            if isinstance(flags, int) and flags & WRITES and lies_within(path):
                step()
        elif event in CHANGES and any(map(lies_within, arguments[:2])):
            step()

    def synced(descriptor):
        step()

    os.fsync = synced
    sys.addaudithook(heard)
    return count


def ended(task, folder, at=None, by=signal.SIGKILL):
    """Do a task in a fork that gets a signal at an operation; gives the count of operations, None if it died."""
    reading, writing = os.pipe()
    child = os.fork()
    if child == 0:
        os.close(reading)
        status = 1
        try:
            # As in a terminal, also where this process was started to ignore it.
            signal.signal(signal.SIGINT, signal.default_int_handler)
            count = _counted(folder, at, by)
            task()
            os.write(writing, str(count[0]).encode())
            status = 0
        except KeyboardInterrupt:
            status = _INTERRUPTED
        finally:
            os._exit(status)
    os.close(writing)
    with os.fdopen(reading) as pipe:
        answer = pipe.read()
    _, status = os.waitpid(child, 0)
    if at is not None and (os.WIFSIGNALED(status) and os.WTERMSIG(status) == by):
        return None
    if at is not None and by == signal.SIGINT and os.WEXITSTATUS(status) == _INTERRUPTED:
        return None
    assert os.WEXITSTATUS(status) == 0, "the task failed without being killed; see above"
    return int(answer)


# Exit status of a fork that Ctrl-C ended.
_INTERRUPTED = 130


def kills(task, folder, fresh, every=1, by=signal.SIGKILL):
    """Kill a task at each of its operations on a folder, or at one in ``every``.

    Parameters
    ----------
    task : callable
        Without arguments.
    folder : Path
        Emptied before each kill.
    fresh : callable
        Fills the folder.
    every : int
    by : signal.Signals

    Yields
    ------
    int
        The operation, from 1, before which the task was killed just now.
    """

    def start():
        shutil.rmtree(folder, ignore_errors=True)
        fresh()

    start()
    total = ended(task, folder)
    for at in range(1, total + 1, every):
        start()
        if ended(task, folder, at, by) is None:
            yield at


def _flipped(path, place):
    data = bytearray(path.read_bytes())
    if not data:
        return False
    data[int(place * (len(data) - 1))] ^= 0x10
    state = path.stat()
    path.write_bytes(data)
    os.utime(path, ns=(state.st_atime_ns, state.st_mtime_ns))
    return True


def _cut(path, share):
    size = path.stat().st_size
    os.truncate(path, int(size * share))
    return size > 0


def _linked_elsewhere(path):
    elsewhere = path.parent.parent / f"{path.name}-elsewhere"
    os.replace(path, elsewhere)
    path.symlink_to(elsewhere)
    return True


def _removed(path):
    path.unlink()
    return True


# What disks, users and other programs do to a file; each gives whether anything changed. Flips keep its time.
DAMAGES = {
    "first byte flipped": lambda path: _flipped(path, 0.0),
    "byte in the middle flipped": lambda path: _flipped(path, 0.5),
    "last byte flipped": lambda path: _flipped(path, 1.0),
    "emptied": lambda path: _cut(path, 0.0),
    "cut in half": lambda path: _cut(path, 0.5),
    "deleted": _removed,
    "a link in its place": _linked_elsewhere,
}


def files_in(folder):
    """All files of a folder, in the order of their names."""
    return sorted(path for path in Path(folder).rglob("*") if path.is_file() and not path.is_symlink())


# Jumps of a clock [s]: an hour, and more than a year, back and ahead.
JUMPS_S = (-4e7, -3600.0, 3600.0, 4e7)


def at_another_time(folder, jump_s):
    """All files of a folder as old or as new as they are by a clock that jumps, and that clock from now on.

    Parameters
    ----------
    folder : Path
    jump_s : float
        By which the clock goes ahead of that of the files, or behind it [s].
    """
    for path in Path(folder).rglob("*"):
        state = path.lstat()
        times = (state.st_atime_ns - int(jump_s * 1e9), state.st_mtime_ns - int(jump_s * 1e9))
        os.utime(path, ns=times, follow_symlinks=False)
    seconds, nanoseconds = time.time, time.time_ns
    time.time = lambda: seconds() + jump_s
    time.time_ns = lambda: nanoseconds() + int(jump_s * 1e9)


def at_once(task, count=2):
    """Do a task in several forks at one time.

    Parameters
    ----------
    task : callable
        Without arguments.
    count : int

    Returns
    -------
    list of {"right", "refused", "wrong"}
        Of each fork: done, refused with a reason, or failed in another way.
    """
    reading, writing = os.pipe()
    children = []
    for _ in range(count):
        child = os.fork()
        if child == 0:
            os.close(writing)
            # All go when the parent lets them.
            os.read(reading, 1)
            answer = outcome(task, lambda: None)
            os._exit(0 if not answer else _REFUSED if "InputError" in answer else 1)
        children.append(child)
    os.close(reading)
    os.close(writing)
    statuses = [os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) for child in children]
    return [{0: "right", _REFUSED: "refused"}.get(status, "wrong") for status in statuses]


_REFUSED = 2
# What takes room on a disk: a new file, folder or second name. To rename and to remove takes none.
ROOM = ("os.mkdir", "os.link", "os.symlink")


def outcome(task, prepare):
    """Do a task in a fork that was prepared so that something refuses; gives what became of it.

    Parameters
    ----------
    task : callable
        Without arguments.
    prepare : callable
        Without arguments; run in the fork before the task.

    Returns
    -------
    list of str
        Names of the kind of error that the task raised and of those that it is one of, the first last, and its
        text; empty where it raised none.
    """
    reading, writing = os.pipe()
    child = os.fork()
    if child == 0:
        os.close(reading)
        answer = []
        try:
            prepare()
            task()
        except BaseException as error:
            answer = [*(kind.__name__ for kind in reversed(type(error).__mro__)), str(error)]
        os.write(writing, json.dumps(answer)[:60_000].encode())
        os._exit(0)
    os.close(writing)
    with os.fdopen(reading) as pipe:
        answer = pipe.read()
    os.waitpid(child, 0)
    return json.loads(answer)


def full_from(folder, at):
    """From its operation ``at`` on, the disk of a folder is full: nothing new is made there any more."""
    folder, count = os.path.realpath(folder) + os.sep, [0]

    def takes_room(event, arguments):
        if event == "open":
            return isinstance(arguments[2], int) and bool(arguments[2] & os.O_CREAT)
        return event in ROOM

    def heard(event, arguments):
        if not takes_room(event, arguments):
            return
        path = arguments[1] if event in ("os.link", "os.symlink") else arguments[0]
        if not isinstance(path, str | bytes | os.PathLike):
            return
        if os.path.abspath(os.fsdecode(path)).startswith(folder):
            count[0] += 1
            if count[0] >= at:
                raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC), os.fsdecode(path))

    sys.addaudithook(heard)
    return count


def no_file_larger_than(size_bytes):
    """Let the system refuse to write more than this into any file, as a disk does that is full."""
    import resource  # noqa: PLC0415 - not on every system

    # Python 3.11 would keep the beginning of a module that it compiles now, and other processes would load that.
    sys.dont_write_bytecode = True
    resource.setrlimit(resource.RLIMIT_FSIZE, (size_bytes, resource.getrlimit(resource.RLIMIT_FSIZE)[1]))


class _Head(ctypes.Structure):
    _fields_ = [("version", ctypes.c_uint32), ("pid", ctypes.c_int)]


class _Sets(ctypes.Structure):
    _fields_ = [(name, ctypes.c_uint32) for name in ("effective", "permitted", "inheritable")]


# Of Linux, capabilities(7): version 3, and the bits that let root pass over permissions of files.
CAPABILITIES_VERSION, DAC_OVERRIDE, DAC_READ_SEARCH = 0x20080522, 1 << 1, 1 << 2


def without_privileges():
    """Be a user to whom permissions of files apply: root gives up what lets it pass over them (Linux)."""
    if os.geteuid() != 0:
        return
    libc = ctypes.CDLL(None, use_errno=True)
    head, sets = _Head(CAPABILITIES_VERSION, 0), (_Sets * 2)()
    if libc.capget(ctypes.byref(head), sets) != 0:
        raise OSError(ctypes.get_errno(), "capget")
    for name, _ in _Sets._fields_:
        setattr(sets[0], name, getattr(sets[0], name) & ~(DAC_OVERRIDE | DAC_READ_SEARCH))
    if libc.capset(ctypes.byref(head), sets) != 0:
        raise OSError(ctypes.get_errno(), "capset")
