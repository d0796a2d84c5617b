"""Tables of the user's in CSV, as text, with rows counted as an editor counts them."""

import numpy as np
import pandas as pd

from sitefinder.errors import InputError, listed


def read_text_table(path, what, key):
    """A table with every cell as text.

    Parameters
    ----------
    path : str or Path
        CSV with a header, in UTF-8; empty cells are empty text.
    what : str
        What messages call the table.
    key : str
        The setting that names the file.

    Returns
    -------
    DataFrame of str

    Raises
    ------
    InputError
        If the file cannot be read or is no CSV.
    """
    try:
        return pd.read_csv(path, dtype=str, keep_default_na=False, encoding="utf-8-sig")
    except OSError as error:
        raise InputError.of(
            f"the {what} cannot be read",
            file=path,
            found=error.strerror or error,
            fix=f"correct {key}; it is relative to the settings file",
        ) from None
    except (ValueError, pd.errors.ParserError) as error:
        one = what.split()[0]
        raise InputError.of(
            f"the {what} is not valid CSV",
            file=path,
            expected=f"UTF-8 text, a header and a row a {one}, cells separated by commas",
            found=str(error).strip(),
        ) from None


def rows_of(bad):
    """Rows as a spreadsheet or editor counts them, the header being row 1; bounded text."""
    return listed((np.flatnonzero(bad) + 2).tolist())


def id_problems(ids):
    """What is wrong with a column of ids: empty ones, and those that stand more than once.

    Parameters
    ----------
    ids : Series of str

    Returns
    -------
    list of str
    """
    ids = ids.str.strip()
    problems = []
    if (ids == "").any():
        problems.append(f"{ids.name}: empty in rows {rows_of(ids == '')}")
    twice = ids.duplicated(keep=False) & (ids != "")
    if twice.any():
        problems.append(f"{ids.name}: {listed(ids[twice].unique())} stand more than once, rows {rows_of(twice)}")
    return problems
