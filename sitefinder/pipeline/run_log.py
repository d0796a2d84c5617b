"""Accounts of runs: what each took, made and found kept, for users to read and for the next plan."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from sitefinder.pipeline.graph import Made
from sitefinder.pipeline.keys import KEPT_AS, Recipe
from sitefinder.pipeline.store import RUNS, read_json, write_json

# So many accounts are kept (own choice).
KEPT = 50


def records_of(folder: Path) -> list[dict[str, Any]]:
    """The accounts of all runs that a store knows, the latest first.

    Parameters
    ----------
    folder : Path
        Of the store.

    Returns
    -------
    list of dict
    """
    return list(_read_records(folder))


# One after the other, since each is as long as the graph of stages.
def _read_records(folder: Path) -> Iterator[dict[str, Any]]:
    for path in sorted((folder / RUNS).glob("*.json"), reverse=True):
        account = read_json(path)
        if isinstance(account, dict) and account.get("kept_as") == KEPT_AS:
            yield account


def last_record(folder: Path, config: str) -> dict[str, Any] | None:
    """The account of the latest run of a settings file, or else of any; None before the first.

    Parameters
    ----------
    folder : Path
        Of the store.
    config : str
        Name of the settings file.

    Returns
    -------
    dict or None
    """
    latest = None
    for account in _read_records(folder):
        if account.get("config") == config:
            return account
        latest = latest or account
    return latest


def last_recipes(account: dict[str, Any] | None) -> dict[str, Recipe]:
    """The recipes of an account by place; empty where there is none."""
    notes = [] if account is None else account["results"]
    recipes = [Recipe(**result["recipe"]) for result in notes]
    return {recipe.place: recipe for recipe in recipes}


def last_keys(account: dict[str, Any] | None) -> dict[str, str]:
    """The keys of the results of an account by place; empty where there is none."""
    return {} if account is None else {result["place"]: result["key"] for result in account["results"]}


def write_record(folder: Path, account: dict[str, Any]) -> Path:
    """Keep the account of a run; the oldest ones go.

    Parameters
    ----------
    folder : Path
        Of the store, held by the run.
    account : dict
        As JSON takes it; ``results`` are rows with a ``recipe`` each, see `reported_results`.

    Returns
    -------
    Path
    """
    before = sorted((folder / RUNS).glob("*.json"))
    account = {"kept_as": KEPT_AS} | account
    number = int(before[-1].stem) + 1 if before else 1
    path = folder / RUNS / f"{number:06d}.json"
    write_json(path, account)
    for old in before[: max(len(before) + 1 - KEPT, 0)]:
        old.unlink(missing_ok=True)
    return path


def reported_results(recipes: Mapping[str, list[Recipe]], log: Mapping[str, Made]) -> list[dict[str, Any]]:
    """What became of each result of a run, as rows of its account.

    Parameters
    ----------
    recipes : dict of str to list of Recipe
    log : dict of str to sitefinder.pipeline.graph.Made

    Returns
    -------
    list of dict
        ``place``, ``key``, ``was_kept``, ``seconds``, ``peak_memory_mb`` and ``recipe``.
    """
    return [
        {
            "place": recipe.place,
            "key": recipe.key,
            "was_kept": log[recipe.place].was_kept,
            "seconds": round(log[recipe.place].seconds, 4),
            "peak_memory_mb": round(log[recipe.place].peak_memory_mb, 1),
            "recipe": recipe._asdict(),
        }
        for own in recipes.values()
        for recipe in own
    ]
