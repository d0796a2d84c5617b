"""Settings and other TOML files from disk."""

import tomllib
from pathlib import Path

from sitefinder.config import check_settings
from sitefinder.errors import ConfigError


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
        If there is no such file, or it is not TOML.
    """
    try:
        with Path(path).open("rb") as file:
            return tomllib.load(file)
    except FileNotFoundError:
        raise ConfigError.of(f"there is no such {what} file", file=path, fix="check the path") from None
    except (IsADirectoryError, PermissionError) as error:
        raise ConfigError.of(f"the {what} file cannot be read", file=path, found=error.strerror) from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise ConfigError.of(f"the {what} file is not TOML", file=path, found=str(error)) from None


def read_settings(path):
    """Settings of a run.

    Parameters
    ----------
    path : Path
        TOML file.

    Returns
    -------
    sitefinder.config.Settings

    Raises
    ------
    ConfigError
        Listing all that is wrong.
    """
    return check_settings(read_toml(path), str(path))
