"""Settings and other TOML files from disk; settings that extend another file are merged with it."""

import os
import re
import tomllib
from pathlib import Path

from sitefinder.errors import ConfigError, all_of
from sitefinder.settings import EXTENDS, check_settings, join

# A file larger than this is no settings or data file (own choice).
MAX_TOML_BYTES = 10_000_000
# Tables within tables; settings need six.
MAX_DEPTH = 30
# A key of too many parts, at the beginning of a line or of an inline table. The parser of the standard library
# holds each part with all before it: 20,000 of them took 1.6 GB.
_PART = r"""(?:[A-Za-z0-9_-]+|"[^"\n]*"|'[^'\n]*')[ \t]*"""
_DEEP_KEY = re.compile(
    rf"(?:^[ \t]*\[{{0,2}}|[{{,])[ \t]*{_PART}(?:\.[ \t]*{_PART}){{{MAX_DEPTH},}}[=\]]", re.MULTILINE
)
BYTE_ORDER_MARK = b"\xef\xbb\xbf"
# How `sitefinder new` writes values that the user must fill in.
UNFILLED = "TODO"
# Settings that are paths of files or folders, in any section: a text, or a list of texts.
PATH_KEYS = (
    "path",
    "file",
    "turbines",
    "screens",
    "equations",
    "preset",
    "error_preset",
    "output_folder",
    "store_folder",
    "font_files",
)


def read_toml(path, what="settings"):
    """Tables of a TOML file.

    Parameters
    ----------
    path : Path
    what : str
        What the file is, in messages.

    Returns
    -------
    dict

    Raises
    ------
    ConfigError
        If there is no such file, it is not TOML, or it is too large or too deep to be a file of this kind. A byte
        order mark is passed over.
    """
    _validate_size(path, what)
    try:
        text = Path(path).read_bytes().removeprefix(BYTE_ORDER_MARK).decode()
        if deep := _DEEP_KEY.search(text):
            line = text.count("\n", 0, deep.start()) + 1
            raise _no_toml(path, what, f"a key of more than {MAX_DEPTH} parts in line {line}")
        read = tomllib.loads(text)
    except FileNotFoundError:
        raise ConfigError.of(f"there is no such {what} file", file=path, fix="check the path") from None
    except OSError as error:
        raise ConfigError.of(
            f"the {what} file cannot be read",
            file=path,
            expected="a TOML file that you may read",
            found=error.strerror or error,
            fix="check the path and the permissions of the file",
        ) from None
    except UnicodeDecodeError as error:
        raise ConfigError.of(
            f"the {what} file is not UTF-8 text",
            file=path,
            expected="a TOML file in UTF-8",
            found=f"byte {error.object[error.start]:#04x} at position {error.start}",
            fix="save it as UTF-8",
        ) from None
    except tomllib.TOMLDecodeError as error:
        raise _no_toml(path, what, str(error)) from None
    except RecursionError:
        raise _no_toml(path, what, f"brackets within brackets, more than {MAX_DEPTH} deep") from None
    except ValueError:
        raise _no_toml(path, what, "a whole number of thousands of digits") from None
    if _depth(read) > MAX_DEPTH:
        raise _no_toml(path, what, f"tables within tables, more than {MAX_DEPTH} deep")
    return read


# Devices and pipes may give bytes without end, or none for ever.
def _validate_size(path, what):
    path = Path(path)
    if path.exists() and not path.is_file() and not path.is_dir():
        raise ConfigError.of(
            f"the {what} file is no file",
            file=path,
            expected="a TOML file",
            found="a device, a pipe or a socket",
            fix="check the path",
        )
    if path.is_file() and (size := path.stat().st_size) > MAX_TOML_BYTES:
        raise ConfigError.of(
            f"the {what} file is too large",
            file=path,
            expected=f"at most {MAX_TOML_BYTES:,} bytes",
            found=f"{size:,} bytes",
            fix="check the path; data belong in the layers and tables that it names",
        )


def _no_toml(path, what, found):
    return ConfigError.of(
        f"the {what} file is not TOML",
        file=path,
        expected="tables and keys, as in config/README.md",
        found=found,
        fix="mend the file at that place; texts need quotation marks, numbers none",
    )


# How many tables and lists are within each other; without recursion, which deep ones would exhaust.
def _depth(value):
    deepest, rest = 0, [(value, 1)]
    while rest:
        value, depth = rest.pop()
        deepest = max(deepest, depth)
        inner = value.values() if isinstance(value, dict) else value if isinstance(value, list) else ()
        rest += [(each, depth + 1) for each in inner if isinstance(each, dict | list)]
        if depth > MAX_DEPTH:
            break
    return deepest


def read_joined(path):
    """The tables of a settings file, merged over those of the file that it extends, and so on.

    Parameters
    ----------
    path : Path
        TOML file, with ``extends`` at its top where it extends another.

    Returns
    -------
    sitefinder.settings.Joined
        All paths are relative to the folder of `path`, whichever file states them.

    Raises
    ------
    ConfigError
        If a file is missing or not TOML, if files extend each other in a circle, or if ``extends`` is misused.
    """
    path = Path(path)
    chain = _chain(path)
    files = [(str(file), _rebased(mapping, file.parent, path.parent)) for file, mapping in chain]
    return join(files)


# The file and all that it extends, the last of them first, each with its tables.
def _chain(path):
    chain, visited = [], []
    while path is not None:
        if path.resolve() in visited:
            files = [file for file, _ in chain] + [path]
            raise ConfigError.of(
                "settings files extend each other in a circle",
                file=files[0],
                found=" extends ".join(str(file) for file in files),
                fix=f"take {EXTENDS} out of one of them",
            )
        visited.append(path.resolve())
        if chain and not path.is_file():
            raise ConfigError.of(
                "there is no such settings file to extend",
                file=chain[-1][0],
                expected=f"{EXTENDS}: a settings file, relative to this one",
                found=path,
                fix="check the path",
            )
        mapping = read_toml(path)
        chain.append((path, mapping))
        base = mapping.get(EXTENDS)
        if base is not None and not (isinstance(base, str) and base):
            raise ConfigError.of(
                f"{EXTENDS} names no file",
                file=path,
                expected="one settings file, as text",
                found=repr(base),
                fix="a file extends one other, which may extend the next",
            )
        path = None if base is None else Path(os.path.normpath(path.parent / base))
    return chain[::-1]


# A value with its paths made relative to another folder; addresses and absolute paths are unchanged.
def _rebased(value, folder, start):
    if os.path.abspath(folder) == os.path.abspath(start):
        return value
    if isinstance(value, list):
        return [_rebased(each, folder, start) for each in value]
    if not isinstance(value, dict):
        return value
    rebased = {}
    for key, inner in value.items():
        if key in PATH_KEYS and isinstance(inner, str):
            rebased[key] = _rebased_path(inner, folder, start)
        elif key in PATH_KEYS and isinstance(inner, list) and all(isinstance(each, str) for each in inner):
            rebased[key] = [_rebased_path(each, folder, start) for each in inner]
        else:
            rebased[key] = _rebased(inner, folder, start)
    return rebased


def _rebased_path(path, folder, start):
    if "://" in path or path.startswith("/vsi") or os.path.isabs(path):
        return path
    return Path(os.path.relpath(os.path.join(folder, path), start)).as_posix()


def read_settings(path):
    """Settings of a run.

    Parameters
    ----------
    path : path-like
        TOML file; see `read_joined` for those that extend another. Relative paths in it start from its folder.

    Returns
    -------
    sitefinder.settings.Settings

    Raises
    ------
    ConfigError
        Listing all problems, each by its key, and by its file where that is not the one given. While values are
        still to be filled in, only those are listed.
    """
    joined = read_joined(path)
    unfilled = [_unfilled_text(joined.written, place, text) for place, text in _unfilled(joined.mapping, ())]
    if unfilled:
        raise all_of(ConfigError, f"{path}, to be filled in", unfilled)
    return check_settings(joined.mapping, str(path), joined.written, str(Path(path).parent), str(path))


# Key and text of each value that is still to be filled in.
def _unfilled(value, place):
    if isinstance(value, str):
        if value == UNFILLED or value.startswith(f"{UNFILLED}:"):
            yield place, value
        return
    inner = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for key, each in inner:
        yield from _unfilled(each, (*place, key))


def _unfilled_text(written, place, text):
    dotted = "".join(f"[{part + 1}]" if isinstance(part, int) else f".{part}" for part in place).lstrip(".")
    key, file = (dotted, None) if written is None else written(place)
    hint = text.removeprefix(UNFILLED).removeprefix(":").strip() or "a value"
    return f"{key}: {hint}" + ("" if file is None else f" (in {file})")
