"""Settings and other TOML files from disk; settings that extend another file are merged with it."""

import json
import os
import re
import tomllib
from pathlib import Path

from sitefinder.errors import FIX, ConfigError, all_of, listed
from sitefinder.io.bound_files import unchanged
from sitefinder.io.opening import lies_within
from sitefinder.settings import EXTENDS, Override, check_settings, join

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
# How `sitefinder new` writes values that the user must fill in, and guesses that the user must confirm.
UNFILLED = "TODO"
GUESS = f"{UNFILLED}: confirm "
# Values that TOML writes without quotation marks.
_UNQUOTED = re.compile(r"[+-]?\d+(\.\d+)?|true|false")
_TABLE = re.compile(r"\s*(\[\[?)\s*([^\[\]]+?)\s*\]")
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
    "allow_outside",
    "logo",
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
        with unchanged(path):
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


# How the options of a command that change settings are named in messages.
SET, WITHIN = "--set", "--within"
# What a trial is of; one replaces another.
TRIALS = (("inputs", "within"), ("run", "within_box_m"), ("run", "within_upstream_of_m"))


def overrides_of(changes, within, folder):
    """What a command line puts over a settings file.

    Parameters
    ----------
    changes : sequence of str
        Each ``key=value``, as a line of a settings file; paths start from the folder of that file.
    within : str or None
        What a trial is of: ``xmin,ymin,xmax,ymax`` or ``x,y`` in the run's system [m], or a file of polygons,
        whose path starts from the current folder.
    folder : Path
        Of the settings file.

    Returns
    -------
    list of sitefinder.settings.loading.Override

    Raises
    ------
    ConfigError
        Listing all that are not ``key=value`` in TOML, or state a key twice.
    """
    found, problems, known = [], [], {}
    for text in changes:
        try:
            mapping = tomllib.loads(text)
        except (tomllib.TOMLDecodeError, RecursionError, ValueError) as error:
            problems.append(f"{SET} {text}: not TOML ({str(error).lower()})")
            continue
        keys = [".".join(key) for key in _leaves(mapping)]
        if len(text.splitlines()) != 1 or not keys or text.lstrip().startswith("["):
            problems.append(f"{SET} {text}: one key and its value are expected")
        problems += [f"{SET} {text}: {key} is set already by {SET} {known[key]}" for key in keys if key in known]
        known |= dict.fromkeys(keys, text)
        found.append(Override(f"{SET} {text}", mapping))
    if problems:
        fix = f"""write key=value as in a settings file, quoted: {SET} 'ranking.choose_by="energy"'"""
        raise all_of(ConfigError, "the options of the command", [f"{each}; {fix}" for each in problems])
    return found if within is None else [*found, _within(within, folder)]


# Keys of values that are not tables.
def _leaves(mapping, prefix=()):
    for key, value in mapping.items():
        if isinstance(value, dict) and value:
            yield from _leaves(value, (*prefix, key))
        else:
            yield (*prefix, key)


def _within(text, folder):
    try:
        numbers = [float(part) for part in text.split(",")]
    except ValueError:
        path = Path(os.path.relpath(text, folder or ".")).as_posix() if not _is_address(text) else text
        return Override(f"{WITHIN} {text}", {"inputs": {"within": {"path": path}}}, TRIALS)
    if len(numbers) not in (2, 4):
        raise ConfigError.of(
            f"{WITHIN} is neither a box nor a place",
            expected="xmin,ymin,xmax,ymax (a box), x,y (what drains to a place), or a file of polygons",
            found=text,
            fix="give two or four numbers in the run's coordinate system, without spaces",
        )
    key = "within_box_m" if len(numbers) == 4 else "within_upstream_of_m"
    return Override(f"{WITHIN} {text}", {"run": {key: numbers}}, TRIALS)


def read_joined(path, overrides=()):
    """The tables of a settings file, merged over those of the file that it extends, and so on.

    Parameters
    ----------
    path : Path
        TOML file, with ``extends`` at its top where it extends another.
    overrides : sequence of sitefinder.settings.loading.Override
        What the command line puts over it.

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
    return join(files, overrides)


# The file and all that it extends, the last of them first, each with its tables.
def _chain(path):
    chain, visited, allowed = [], [], [Path(path).parent]
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
        if chain and not lies_within(path, [chain[-1][0].parent, *allowed]):
            raise ConfigError.of(
                "settings extend a file outside their folder",
                file=chain[-1][0],
                expected=f"{EXTENDS}: a settings file in or below {listed(dict.fromkeys(allowed))}",
                found=path,
                fix="move it there, or name its folder: allow_outside = "
                f"[{_quoted(os.path.relpath(path.parent, chain[-1][0].parent))}] in [inputs] of this file",
            )
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
        allowed += _allowed_by(mapping, path.parent)
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


# Folders that a file itself allows, whose tables are not checked yet.
def _allowed_by(mapping, folder):
    inputs = mapping.get("inputs")
    named = inputs.get("allow_outside") if isinstance(inputs, dict) else None
    return [folder / each for each in named if isinstance(each, str)] if isinstance(named, list) else []


def _quoted(path):
    return f'"{Path(path).as_posix()}"'


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
    if _is_address(path) or os.path.isabs(path) or _is_unfilled(path):
        return path
    return Path(os.path.relpath(os.path.join(folder, path), start)).as_posix()


# Whether a path is no file of this computer, but something that GDAL reads.
def _is_address(path):
    return "://" in path or path.startswith("/vsi")


def read_settings(path, changes=(), within=None):
    """Settings of a run.

    Parameters
    ----------
    path : path-like
        TOML file; see `read_joined` for those that extend another. Relative paths in it start from its folder.
    changes : sequence of str, optional
        Settings to change, each ``key=value`` in TOML, such as ``costs.price_per_kwh=0.2``.
    within : str, optional
        The part of the region that a trial shows; see `overrides_of`.

    Returns
    -------
    sitefinder.settings.Settings

    Raises
    ------
    ConfigError
        Listing all problems, each by its key, and by its file where that is not the one given. While values are
        still to be filled in, only those are listed.
    """
    overrides = overrides_of(changes, within, Path(path).parent)
    joined = read_joined(path, overrides)
    unfilled = list(_unfilled(joined.mapping, ()))
    if unfilled:
        has_guess = any(text.startswith(GUESS) for _, text in unfilled)
        texts = [_unfilled_text(joined.written, Path(path), *each, has_guess) for each in unfilled]
        raise all_of(ConfigError, f"{path}, to be filled in", texts)
    given = [tuple(each.option.split(" ", 1)) for each in overrides]
    return check_settings(joined.mapping, str(path), joined.written, str(Path(path).parent), str(path), given)


# Key and text of each value that is still to be filled in.
def _unfilled(value, place):
    if isinstance(value, str):
        if _is_unfilled(value):
            yield place, value
        return
    inner = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for key, each in inner:
        yield from _unfilled(each, (*place, key))


def _is_unfilled(value):
    return value == UNFILLED or value.startswith(f"{UNFILLED}:")


# A line for a blank; two for a guess, and for all where one is a guess.
def _unfilled_text(written, path, place, text, has_guess):
    dotted = "".join(f"[{part + 1}]" if isinstance(part, int) else f".{part}" for part in place).lstrip(".")
    key, file = (dotted, None) if written is None else written(place)
    if text.startswith(GUESS):
        guess = text.removeprefix(GUESS).strip()
        line = _line_of(path if file is None else Path(file), place, text)
        where = [] if line is None else [f"line {line}"]
        where += [] if file is None else [f"in {file}"]
        value = guess if _UNQUOTED.fullmatch(guess) else json.dumps(guess, ensure_ascii=False)
        name = next((part for part in reversed(place) if isinstance(part, str)), key)
        found = f"{key}: {guess} is a guess" + (f" ({', '.join(where)})" if where else "")
        # One of a list does not replace the list.
        written = f"{value} in {name}" if place and isinstance(place[-1], int) else f"{name} = {value}"
        return f"{found}\n  {FIX}  write {written} if that is right, or what is right"
    hint = text.removeprefix(UNFILLED).removeprefix(":").strip() or "a value"
    return (
        f"{key}: {hint}"
        + ("" if file is None else f" (in {file})")
        + (f"\n  {FIX}  fill it in" if has_guess else "")
    )


# Line of a settings file that holds a text as the value of a key; None where no line does.
def _line_of(file, place, value):
    counts, table, found = {}, (), []
    try:
        lines = file.read_text(encoding="utf-8-sig").splitlines()
    except (OSError, UnicodeDecodeError):
        return None
    for number, line in enumerate(lines, 1):
        if (header := _TABLE.match(line)) is not None:
            name = tuple(part.strip().strip("\"'") for part in header[2].split("."))
            if header[1] == "[[":
                counts[name] = counts.get(name, -1) + 1
            ends = [name[: end + 1] for end in range(len(name))]
            table = tuple(part for end in ends for part in (end[-1], *([counts[end]] if end in counts else [])))
        elif value in line and not line.lstrip().startswith("#"):
            found.append((table == place[: len(table)], len(table), -number))
    return -max(found)[2] if found else None
