"""Functions compiled by numba: kernels that Python calls, and the parts that kernels are made of.

Compiling is most of the time of a first run, and much of that is not the loops but what numba makes around each
function that Python may call. So only kernels are such functions; their parts are not. What is compiled is kept on
disk under a stamp of all source that can be in it: numba itself looks only at the file of the kernel, and would go
on with old code when a part in another file has changed.
"""

import functools
import hashlib
import inspect
import sys
import threading
import types

import numpy as np
from numba import config, njit
from numba.core.caching import InTreeCacheLocator, UserProvidedCacheLocator, UserWideCacheLocator
from numba.extending import register_jitable

_LOCATORS = ("ProvidedLocator", "InTreeLocator", "UserWideLocator")
_deciding = threading.Lock()
# Parts that there are.
_parts = set()


class _StampedBySources:
    # A locator of numba's whose stamp is of all sources of a kernel.
    def __init__(self, py_func, py_file):
        super().__init__(py_func, py_file)
        self._module = py_func.__module__

    def get_source_stamp(self):
        return sources_digest(self._module)


class ProvidedLocator(_StampedBySources, UserProvidedCacheLocator):
    """Keeps compiled code in the folder that NUMBA_CACHE_DIR names."""


class InTreeLocator(_StampedBySources, InTreeCacheLocator):
    """Keeps compiled code beside the source."""


class UserWideLocator(_StampedBySources, UserWideCacheLocator):
    """Keeps compiled code in the user's folder, where the package's is not writable."""


def kernel(function=None, *, fills=()):
    """A function that Python calls, compiled when it is first called and kept on disk.

    Arrays are handed to it contiguous and, but for those that it fills, read-only, so that it is compiled once,
    whatever scheme type or flags they come in. Another dtype still compiles it once more.

    Parameters
    ----------
    function : callable
        Of a module that is imported; what it calls is a `part`.
    fills : sequence of str
        Names of its arguments into which it writes; these must be contiguous and of their final dtype.

    Returns
    -------
    callable
    """
    if function is None:
        return functools.partial(kernel, fills=fills)
    with _deciding:
        before = config.CACHE_LOCATOR_CLASSES
        config.CACHE_LOCATOR_CLASSES = ",".join(f"{__name__}.{name}" for name in _LOCATORS)
        try:
            made = njit(cache=True, no_cfunc_wrapper=True)(function)
        finally:
            config.CACHE_LOCATOR_CLASSES = before
    names = function.__code__.co_varnames[: function.__code__.co_argcount]

    @functools.wraps(function)
    def call(*arguments, **named):
        if named:
            arguments = tuple(inspect.signature(function).bind(*arguments, **named).arguments.values())
        pairs = zip(names, arguments, strict=False)
        return made(*(argument if name in fills else _as_read(argument) for name, argument in pairs))

    call.compiled = made
    return call


# A contiguous view that is not written to; what is no array is left as it is.
def _as_read(argument):
    if type(argument) is not np.ndarray:
        return argument
    view = np.ascontiguousarray(argument).view()
    view.flags.writeable = False
    return view


def part(function):
    """A function that kernels call; called from Python it is the plain function.

    Parameters
    ----------
    function : callable

    Returns
    -------
    callable
        The same.
    """
    _parts.add(function)
    return register_jitable(function)


@functools.cache
def sources_digest(name):
    """Digest of what can be in the compiled code of a module: its source, constants and parts that it imports.

    Parameters
    ----------
    name : str
        Of an imported module; what its kernels use of other modules is imported at its top.

    Returns
    -------
    str
    """
    module = sys.modules[name]
    digest = hashlib.sha256(module.__loader__.get_data(module.__file__))
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
