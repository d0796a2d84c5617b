"""Functions compiled by numba: kernels that Python calls, and the parts that kernels are made of.

Compiling is most of the time of a first run, and much of that is not the loops but what numba makes around each
function that Python may call. So only kernels are such functions; their parts are not. What is compiled is kept on
disk under a stamp of all source that can be in it: numba itself looks only at the file of the kernel, and would go
on with old code when a part in another file has changed.

A kernel that says what types it takes can be compiled without data. So where a run finds its first kernel missing,
a second process compiles those that the run comes to last, while the run goes on and compiles the others. A lock
for each kernel keeps two processes from compiling the same one. Without the second process, or where nothing can
be kept, each kernel is compiled when it is first called.
"""

import contextlib
import functools
import hashlib
import inspect
import multiprocessing
import os
import stat
import subprocess
import sys
import threading
import types

import numba
import numpy as np
from filelock import FileLock
from numba import config, njit
from numba.core.caching import FunctionCache, InTreeCacheLocator, UserProvidedCacheLocator, UserWideCacheLocator
from numba.core.runtime import rtsys
from numba.extending import register_jitable
from numba.misc.appdirs import AppDirs

OTHERS_WRITE = stat.S_IWGRP | stat.S_IWOTH
_LOCATORS = ("ProvidedLocator", "SharedLocator", "InTreeLocator")
# Of a module: for how many states of its sources compiled code is kept, and digits of a digest that name one.
KEPT_SOURCES = 8
DIGITS_OF_FOLDER = 16
_deciding = threading.Lock()
# Parts that there are; all kernels; by module, the kernels that say what they take.
_parts = set()
_kernels = []
_declared = {}
# Modules whose kernels a run may come to, those that come last first; and the process that compiles them.
_to_come = []
_helpers = []
# Its whole work; where modules are found is handed to it, since a program may have added to its own path.
_HELP = (
    "import sys; sys.path[:] = {path!r}; from sitefinder.compiling import compile_all; compile_all({modules!r})"
)


class _StampedBySources:
    # A locator of numba's whose stamp is of all sources of a kernel.
    def __init__(self, py_func, py_file):
        super().__init__(py_func, py_file)
        self._module = py_func.__module__

    def get_source_stamp(self):
        return sources_digest(self._module)


class _InOwnFolder:
    # Compiled code is run when it is read, so its folder is made for its owner alone, and left where others may
    # write it. Beside the source no folder is safer than the source itself.
    def __init__(self, py_func, py_file):
        super().__init__(py_func, py_file)
        self._cache_path += "-own"

    def ensure_cache_path(self):
        folder = self.get_cache_path()
        os.makedirs(folder, mode=0o700, exist_ok=True)
        state = os.lstat(folder)
        is_own = not hasattr(os, "getuid") or (state.st_uid == os.getuid() and not state.st_mode & OTHERS_WRITE)
        if not stat.S_ISDIR(state.st_mode) or not is_own:
            raise PermissionError(f"other users may write {folder}")
        super().ensure_cache_path()


class ProvidedLocator(_InOwnFolder, _StampedBySources, UserProvidedCacheLocator):
    """Keeps compiled code in the folder that NUMBA_CACHE_DIR names."""


class InTreeLocator(_StampedBySources, InTreeCacheLocator):
    """Keeps compiled code beside the source, where nothing else is left."""


class SharedLocator(_InOwnFolder, _StampedBySources, UserWideCacheLocator):
    """Keeps compiled code in the user's folder by what it is compiled from, not by where that lies.

    So a new environment, a checkout beside it and an upgrade that leaves a module as it is find what is there, and
    an installer meets no files of ours that would stay in its folders.
    """

    def __init__(self, py_func, py_file):
        super().__init__(py_func, py_file)
        of_user = AppDirs(appname="sitefinder", appauthor=False).user_cache_dir
        self._of_module = os.path.join(of_user, "kernels", f"{self._module}-numba-{numba.__version__}")
        self._cache_path = os.path.join(self._of_module, self.get_source_stamp()[:DIGITS_OF_FOLDER])

    def ensure_cache_path(self):
        """Make the folder where it is new, and take away the oldest of earlier sources of the module."""
        is_new = not os.path.exists(self._cache_path)
        super().ensure_cache_path()
        if is_new:
            # Another process may do the same at once.
            with contextlib.suppress(OSError), os.scandir(self._of_module) as folders:
                by_age = sorted(folders, key=lambda folder: folder.stat().st_mtime_ns)
                for folder in by_age[:-KEPT_SOURCES]:
                    for name in os.listdir(folder):
                        os.unlink(os.path.join(folder, name))
                    os.rmdir(folder)


def kernel(function=None, *, takes=None, records=None, fills=(), allocates=True):
    """A function that Python calls, compiled when it is first called, or ahead of that, and kept on disk.

    Arrays are handed to it contiguous and, but for those that it fills, read-only, so that it is compiled once,
    whatever scheme type or flags they come in. Another dtype still compiles it once more.

    Parameters
    ----------
    function : callable
        Of a module that is imported; what it calls is a `part`.
    takes : str, optional
        Types of its arguments as numba writes them, with which a run calls it. For kernels of nearly every run, so
        that they can be compiled ahead. A call with other types is no error; it compiles the kernel once more.
    records : dict of str to dtype, optional
        Structured dtypes that ``takes`` names.
    fills : sequence of str
        Names of its arguments into which it writes; these must be contiguous and of their final dtype.
    allocates : bool
        Whether it or a part of it makes an array. One that does not, and only fills arguments, is compiled without
        counting references to arrays, see `part`. Compiling fails where it makes one after all.

    Returns
    -------
    callable
    """
    if function is None:
        given = {"takes": takes, "records": records, "fills": fills, "allocates": allocates}
        return functools.partial(kernel, **given)
    if config.DISABLE_JIT:
        # By NUMBA_DISABLE_JIT=1: the plain function, whose lines a debugger can follow and tests can count.
        return function
    made = _compiled_and_kept(function, allocates)
    names = function.__code__.co_varnames[: function.__code__.co_argcount]

    @functools.wraps(function)
    def call(*arguments, **named):
        if named:
            arguments = tuple(inspect.signature(function).bind(*arguments, **named).arguments.values())
        pairs = zip(names, arguments, strict=False)
        given = [argument if name in fills else _as_read(argument) for name, argument in pairs]
        if not made.overloads:
            _compile(made, tuple(made.typeof_pyval(argument) for argument in given))
            if made.stats.cache_misses and _folder_of(made) is not None:
                _start_helper()
        return made(*given)

    def declared_types():
        known = vars(numba.types) | {name: numba.from_dtype(dtype) for name, dtype in (records or {}).items()}
        found = zip(names, eval(f"({takes},)", {}, known), strict=True)
        return tuple(
            kind.copy(readonly=True) if isinstance(kind, numba.types.Array) and name not in fills else kind
            for name, kind in found
        )

    call.compiled = made
    _kernels.append(call)
    if takes is not None:
        call.declared_types = declared_types
        _declared.setdefault(function.__module__, []).append(call)
    return call


class _Cache(FunctionCache):
    # Numba's own, which before it reads compiled code loads all that it could compile with: a quarter of a second
    # of each command. Compiling itself sees to that; code that is compiled needs the runtime alone.
    def load_overload(self, sig, target_context):
        rtsys.initialize(target_context)
        with self._guard_against_spurious_io_errors():
            return self._load_overload(sig, target_context)


# Made by numba, with its compiled code kept on disk; in memory alone where no folder can be written. Its option
# `_nrt`, which it promises nobody, leaves out the counting of references; `register_jitable` takes it as well.
def _compiled_and_kept(function, allocates):
    with _deciding:
        before = config.CACHE_LOCATOR_CLASSES
        config.CACHE_LOCATOR_CLASSES = ",".join(f"{__name__}.{name}" for name in _LOCATORS)
        try:
            made = njit(cache=True, no_cfunc_wrapper=True, _nrt=allocates)(function)
            made._cache = _Cache(function)
            return made
        except (RuntimeError, OSError):
            return njit(no_cfunc_wrapper=True, _nrt=allocates)(function)
        finally:
            config.CACHE_LOCATOR_CLASSES = before


# Where a kernel is kept on disk; None where it is not.
def _folder_of(made):
    return getattr(made._cache, "cache_path", None)


# Compile for types, or take what is on disk; while another process compiles the same kernel, wait for that.
def _compile(made, kinds):
    with contextlib.ExitStack() as held:
        folder = _folder_of(made)
        if folder is not None:
            name = f"{made.py_func.__module__}.{made.py_func.__qualname__}.lock"
            # Without a lock no harm is done but work twice.
            with contextlib.suppress(OSError, NotImplementedError):
                held.enter_context(FileLock(f"{folder}/{name}"))
        made.compile(kinds)


def compile_declared(module):
    """Compile the kernels of a module that say what they take, the last first; for `sitefinder.compiling`.

    Parameters
    ----------
    module : str
        Of an imported module.
    """
    for each in reversed(_declared.get(module, ())):
        if not each.compiled.overloads:
            _compile(each.compiled, each.declared_types())


@contextlib.contextmanager
def compiled_ahead(modules):
    """While this holds, the first kernel that is not on disk starts a process that compiles others meanwhile.

    Parameters
    ----------
    modules : sequence of str
        Dotted names of modules whose kernels will be called, those that come last first.
    """
    _to_come[:] = modules
    try:
        yield
    finally:
        _to_come.clear()
        for process in _helpers:
            # It ends when this is closed, whatever it is doing.
            process.stdin.close()
            process.wait()
        _helpers.clear()


# Start the second process, once, where a core is free for it; without it all goes on as before.
def _start_helper():
    if not _to_come or multiprocessing.cpu_count() < 2:
        return
    code, pipe = _HELP.format(path=sys.path, modules=_to_come), subprocess.PIPE
    _to_come.clear()
    with contextlib.suppress(OSError):
        nowhere = subprocess.DEVNULL
        _helpers.append(subprocess.Popen([sys.executable, "-c", code], stdin=pipe, stdout=nowhere, stderr=nowhere))


# A contiguous view that is not written to; what is no array is left as it is.
def _as_read(argument):
    if type(argument) is not np.ndarray:
        return argument
    view = np.ascontiguousarray(argument).view()
    view.setflags(write=False)
    return view


def part(function=None, *, allocates=False):
    """A function that kernels call; called from Python it is the plain function.

    Parameters
    ----------
    function : callable
    allocates : bool
        Whether it makes an array, or gives back a part of one. Any other part is compiled without counting
        references to the arrays that it is given, by locked instructions at every call, also where a kernel that
        calls it counts them.

    Returns
    -------
    callable
        The same.
    """
    if function is None:
        return functools.partial(part, allocates=allocates)
    _parts.add(function)
    without = {} if allocates else {"_nrt": False}
    return register_jitable(no_cfunc_wrapper=True, **without)(function)


@functools.cache
def sources_digest(name):
    """Digest of what makes the compiled code of a module: its source, constants, imported parts, and this file.

    Parameters
    ----------
    name : str
        Of an imported module; what its kernels use of other modules is imported at its top.

    Returns
    -------
    str
    """
    module = sys.modules[name]
    digest = hashlib.sha256(__loader__.get_data(__file__))
    digest.update(module.__loader__.get_data(module.__file__))
    others = set()
    for known, value in sorted(vars(module).items()):
        if known.startswith("__"):
            continue
        if isinstance(value, bool | int | float | str | tuple):
            digest.update(f"{known}={value!r}\n".encode())
        elif isinstance(value, types.FunctionType) and value in _parts and value.__module__ != name:
            others.add(value.__module__)
    for other in sorted(others):
        digest.update(sources_digest(other).encode())
    return digest.hexdigest()
