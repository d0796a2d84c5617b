"""The process beside a run that compiles kernels ahead of it; `sitefinder.compiled` starts and ends it."""

import importlib
import os
import sys
import threading

from sitefinder.compiled import compile_declared


def compile_all(modules):
    """Compile what is not on disk yet of the kernels of modules that say what they take, module by module.

    The process ends when its standard input is closed: with the run that started it, however that ends. What one
    kernel fails with is nothing to the others; the run meets it again if it is in its way.

    Parameters
    ----------
    modules : sequence of str
        Dotted names.
    """
    threading.Thread(target=_end_with_run, daemon=True).start()
    for module in modules:
        try:
            importlib.import_module(module)
            compile_declared(module)
        except Exception as error:
            print(f"{module}: {error}", file=sys.stderr)


def _end_with_run():
    sys.stdin.buffer.read()
    os._exit(0)
