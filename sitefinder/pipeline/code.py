"""Which source files a function of the package can reach, and a digest of what they hold."""

import functools
import hashlib
import re
import sys
from collections.abc import Callable, Iterable, Mapping
from pathlib import Path
from typing import Any

# Documents and what Python makes of sources change no result.
IGNORED_SUFFIXES = frozenset({".md", ".pyc", ".pyi", ".typed", ".nbi", ".nbc"})
# So many files are named in a reason.
NAMED_FILES = 3
# Import statements that begin a line, with the names that they import; a test compares them with the parser's.
# This pattern and the next begin with the end of the line before, which is found faster than the beginning of one.
_IMPORT = re.compile(
    rb"\n[ \t]*(?:from[ \t]+([\w.]+)[ \t]+import[ \t]+(\([^)]*\)|(?:\\\n|[^\n;#])+)"
    rb"|import[ \t]+((?:\\\n|[^\n;#])+))"
)
_COMMENT = re.compile(rb"#[^\n]*")
# What is imported for annotations alone, by the type checker and never by a run.
_FOR_TYPES = re.compile(rb"\nif TYPE_CHECKING:[ \t]*\n(?:[ \t]+[^\n]*\n|[ \t]*\n)+")


class SourceCode:
    """The source files of a package: what each holds, and which others its code can reach by its imports.

    Parameters
    ----------
    package_folder : Path
        Folder of the package, whose name is the package's, in a checkout as in an installation.

    Attributes
    ----------
    digests : dict of str to str
        SHA-256 (16 hexadecimal digits) of each file that can change a result, by its path from the folder that
        holds the package, for example ``sitefinder/units.py``. Documents are left out.

    Notes
    -----
    A module reaches what it imports anywhere in its text, inside functions too, what those modules import, and
    so on. Importing a module runs the ``__init__`` of each package that it lies in, so those count, except that
    of the outermost package: it only offers names of others to the user. A data file beside modules (a template,
    a style) counts as part of each module of that folder; one in a folder without modules as part of those of
    the nearest folder above that has some. What a module imports under ``if TYPE_CHECKING:``, for annotations
    alone, it does not reach. What lies in the outermost folder itself, or only there, counts for
    nobody: files that a user may choose are inputs, with digests of their own.

    Names put together while the program runs (``importlib.import_module``) are not followed. Nothing that a stage
    reaches may do that; a test says so.
    """

    def __init__(self, package_folder: Path | str) -> None:
        folder = Path(package_folder).resolve()
        self._package = folder.name
        self.digests: dict[str, str] = {}
        self._paths: dict[str, str] = {}
        self._text: dict[str, bytes] = {}
        data_files = []
        for path in _files(folder):
            name = path.relative_to(folder.parent).as_posix()
            content = path.read_bytes()
            self.digests[name] = hashlib.sha256(content).hexdigest()[:16]
            if path.suffix == ".py":
                module = _module_name(name)
                self._paths[module], self._text[module] = name, content
            else:
                data_files.append(name)
        self._beside = self._by_package(data_files)
        self._imports: dict[str, frozenset[str]] = {}
        self._reached: dict[str, frozenset[str]] = {}
        # By modules: many stages have their functions in the same ones.
        self._files: dict[tuple[str, ...], dict[str, str]] = {}

    def reached_from(self, module: str) -> frozenset[str]:
        """Files that the code of a module can reach, its own among them.

        Parameters
        ----------
        module : str
            Dotted name.

        Returns
        -------
        frozenset of str
            Keys of `digests`; empty for a module that is not of this package.
        """
        if module not in self._reached:
            modules: set[str] = set()
            files: set[str] = set()
            waiting = [module] if module in self._paths else []
            while waiting:
                one = waiting.pop()
                if one in modules:
                    continue
                modules.add(one)
                if one in self._reached:  # asked for before
                    files |= self._reached[one]
                    continue
                files.add(self._paths[one])
                files.update(self._beside.get(self._folder_of(one), ()))
                waiting += self.imported_by(one)
            self._reached[module] = frozenset(files)
        return self._reached[module]

    def imported_by(self, module: str) -> frozenset[str]:
        """Modules of the package that a module imports itself, with the packages that these lie in.

        Parameters
        ----------
        module : str

        Returns
        -------
        frozenset of str
        """
        if module not in self._imports:
            named: set[str] = set()
            for origin, names, plain in _IMPORT.findall(_FOR_TYPES.sub(b"\n", b"\n" + self._text[module])):
                if plain:
                    named.update(_words(plain))
                else:
                    start = self._absolute(origin.decode(), module)
                    named.add(start)
                    named.update(f"{start}.{name}" for name in _words(names))
            # Each with those above it, but for the outermost.
            parents = {
                ".".join(name.split(".")[:count]) for name in named for count in range(2, name.count(".") + 2)
            }
            self._imports[module] = frozenset(name for name in parents if name in self._paths) - {module}
        return self._imports[module]

    def importers_of(self, module: str, groups: Iterable[Iterable[Callable[..., Any] | str]]) -> list[str]:
        """Modules that import a given one themselves, among those that functions can reach.

        Parameters
        ----------
        module : str
            Dotted name.
        groups : iterable of iterable of callable or str
            Functions, as in `files_of`.

        Returns
        -------
        list of str
            Those of the first group come first; within a group, by name.
        """
        found: dict[str, None] = {}
        for functions in groups:
            files = self.files_of(functions)
            reached = sorted(name for name, path in self._paths.items() if path in files)
            found |= dict.fromkeys(name for name in reached if module in self.imported_by(name))
        return list(found)

    def files_of(self, functions: Iterable[Callable[..., Any] | str]) -> dict[str, str]:
        """Files that functions can reach, with what they hold.

        Parameters
        ----------
        functions : iterable of callable or str
            A text names a function as ``package.module:function``, so that nothing need be imported.

        Returns
        -------
        dict of str to str
            Digest by file. A function from outside the package counts with the file that it stands in.
        """
        modules = tuple(sorted({module_of(function) for function in functions}))
        if modules in self._files:
            return self._files[modules]
        own = [module for module in modules if module in self._paths]
        reached = frozenset().union(*map(self.reached_from, own))
        found = {name: self.digests[name] for name in sorted(reached)}
        if len(own) == len(modules):
            self._files[modules] = found
            return found
        # A file from outside may be another by the next time.
        for module in modules:
            if module not in self._paths:
                found |= _foreign(module)
        return dict(sorted(found.items()))

    # Data files by the dotted name of the package that they belong to.
    def _by_package(self, data_files: list[str]) -> dict[str, list[str]]:
        beside: dict[str, list[str]] = {}
        for name in data_files:
            folder = name.split("/")[:-1]
            while len(folder) > 1 and f"{'/'.join(folder)}/__init__.py" not in self.digests:
                folder = folder[:-1]
            if len(folder) > 1:
                beside.setdefault(".".join(folder), []).append(name)
        return beside

    def _folder_of(self, module: str) -> str:
        return module if self._paths[module].endswith("/__init__.py") else module.rpartition(".")[0]

    # The module that ``from ..name import`` means.
    def _absolute(self, origin: str, module: str) -> str:
        dots = len(origin) - len(origin.lstrip("."))
        if not dots:
            return origin
        inside = self._folder_of(module).split(".")
        return ".".join([*inside[: len(inside) - dots + 1], *filter(None, [origin[dots:]])])


@functools.cache
def own_code() -> SourceCode:
    """The source code of the package that is running.

    Returns
    -------
    SourceCode
    """
    return SourceCode(Path(__file__).parents[1])


def digest_of_files(files: Mapping[str, str]) -> str:
    """One text for what files hold, empty where there are none.

    Parameters
    ----------
    files : dict of str to str
        See `SourceCode.files_of`.

    Returns
    -------
    str
        SHA-256, hexadecimal.
    """
    text = "\n".join(f"{name} {digest}" for name, digest in sorted(files.items()))
    return hashlib.sha256(text.encode()).hexdigest() if files else ""


def change_of_code(files: Mapping[str, str], before: Mapping[str, str]) -> str:
    """The change of code as a reason, naming files.

    Parameters
    ----------
    files : dict of str to str
        That a function can reach now.
    before : dict of str to str
        Of the whole package in the run before; may be empty.

    Returns
    -------
    str

    Examples
    --------
    >>> change_of_code({"a/one.py": "x", "a/two.py": "y"}, {"a/one.py": "x", "a/two.py": "z"})
    'code changed: a/two.py'
    """
    changed = sorted(name for name, digest in files.items() if before.get(name) != digest) if before else []
    if not changed:
        return "code changed"
    more = len(changed) - NAMED_FILES
    return f"code changed: {', '.join(changed[:NAMED_FILES])}" + (f" and {more} more" if more > 0 else "")


def module_of(function: Callable[..., Any] | str) -> str:
    """Dotted name of the module in which a function, or what a text names as one, is defined."""
    if isinstance(function, str):
        return function.partition(":")[0]
    while isinstance(function, functools.partial):
        function = function.func
    return function.__module__


# Files of a package folder that can change a result, in a fixed order.
def _files(folder: Path) -> list[Path]:
    found: list[Path] = []
    for path in sorted(folder.iterdir()):
        if path.name.startswith(".") or path.name == "__pycache__":
            continue
        if path.is_dir():
            found += _files(path)
        elif path.suffix not in IGNORED_SUFFIXES:
            found.append(path)
    return found


# ``sitefinder/io/__init__.py`` is sitefinder.io.
def _module_name(name: str) -> str:
    return name.removesuffix(".py").removesuffix("/__init__").replace("/", ".")


# What an import statement names, without new names for it.
def _words(names: bytes) -> list[str]:
    plain = _COMMENT.sub(b"", names).replace(b"\\\n", b" ").strip(b"() \t\n")
    return [part.split()[0].decode() for part in plain.split(b",") if part.split()]


# The file of a module outside the package, such as a user's own script.
def _foreign(module: str) -> dict[str, str]:
    path = getattr(sys.modules.get(module), "__file__", None)
    if path is None or not Path(path).is_file():
        return {module: "no file"}
    return {module: hashlib.sha256(Path(path).read_bytes()).hexdigest()[:16]}
