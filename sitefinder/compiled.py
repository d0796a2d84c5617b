"""Functions compiled by numba: kernels that Python calls, and the parts that kernels are made of.

Compiling is most of the time of a first run, and most of that is not the loops but what numba makes around each
function that Python may call. So only kernels are such functions; their parts are not, which takes a third to a half
of the time. What is compiled is kept on disk, under a stamp of all source that can be in it: numba itself looks only
at the file of the kernel, and would go on with old code when a part in another file has changed.
"""

import functools
import hashlib
import sys
import threading

from numba import config, njit
from numba.core.caching import InTreeCacheLocator, UserProvidedCacheLocator, UserWideCacheLocator
from numba.extending import register_jitable

_LOCATORS = ("ProvidedLocator", "InTreeLocator", "UserWideLocator")
_deciding = threading.Lock()
# Parts and kernels, by the function as it was written.
_compiled = set()


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


def kernel(function):
    """A function that Python calls, compiled when it is first called and kept on disk.

    Give it contiguous arrays of one dtype each: every other layout or dtype compiles it once more.

    Parameters
    ----------
    function : callable
        Of a module that is imported; what it calls is a `part` or a kernel.

    Returns
    -------
    callable
    """
    with _deciding:
        before = config.CACHE_LOCATOR_CLASSES
        config.CACHE_LOCATOR_CLASSES = ",".join(f"{__name__}.{name}" for name in _LOCATORS)
        try:
            made = njit(cache=True, no_cfunc_wrapper=True)(function)
        finally:
            config.CACHE_LOCATOR_CLASSES = before
    _compiled.add(made)
    return made


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
    _compiled.add(function)
    return register_jitable(function)


@functools.cache
def sources_digest(name):
    """Digest of all that can be in the compiled code of a module: its source, numbers that it imports, parts.

    Parameters
    ----------
    name : str
        Of an imported module; parts of other modules and numbers must be imported at its top, before its kernels.

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
        elif callable(value) and _is_compiled(value) and value.__module__ != name:
            others.add(value.__module__)
    for other in sorted(others):
        digest.update(sources_digest(other).encode())
    return digest.hexdigest()


def _is_compiled(value):
    try:
        return value in _compiled
    except TypeError:  # cannot be hashed
        return False
