"""The inventory that a run made: its tables, its summary, and the files that are made of them."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Callable, Iterator, Mapping, Sequence
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sitefinder import __version__
from sitefinder.delivery.atomic import deliver
from sitefinder.delivery.file_names import GEOPACKAGE, wanted_files
from sitefinder.delivery.graph import FIGURES, FILE_STAGES, KNOWN, LAYERS_MADE, STAGES, SUMMARY, stages_of_files
from sitefinder.delivery.made import FileParts, MadeParts
from sitefinder.errors import InputError
from sitefinder.io.bound_files import bound_now
from sitefinder.io.software import software
from sitefinder.pipeline.graph import run_stages
from sitefinder.pipeline.memory import let_finish
from sitefinder.preparation import StrPath, logo_of
from sitefinder.report.handover import Handover, handover_of, region_of
from sitefinder.report.languages import speaking
from sitefinder.report.printed import printed_json, printed_summary
from sitefinder.settings import Settings
from sitefinder.steps.scope import SettingsParts
from sitefinder.vocabulary import HEAD_UNRESOLVED

if TYPE_CHECKING:
    import geopandas
    import pandas as pd

# Results that an inventory can write files from; all others are let go when a run has ended.
FOR_FILES = {
    name for stage in (*FILE_STAGES.values(), SUMMARY, FIGURES) for name in stage.depends_on.get("made", ())
} | {f"{name}_table" for name in LAYERS_MADE}


class Inventory:
    """What a run found: its tables, its summary, and the files that are made of them.

    Every layer of the delivery is an attribute (``inventory.sites``, ``inventory.reaches``, ``inventory.totals``)
    and an item of `tables`: a GeoDataFrame, or a DataFrame where the layer has no geometry, with the columns,
    types and ranges that the data dictionary declares. It is your own copy: what you change in it changes no file.

    Parameters
    ----------
    settings : sitefinder.settings.Settings
    results : Mapping
        Of the stages of `sitefinder.delivery.graph.STAGES`; those that are kept in a store are read when they are
        asked for.
    files : sequence of Path
        Those delivered, the GeoPackage first; none where nothing was written.
    texts : Mapping, optional
        Results of the stages of the summary and of the figures, if they were run.
    fonts : sequence of Path
        See `sitefinder.report.handover.Handover`.
    notes : sequence of str
        What the user should know of the store of results.
    """

    def __init__(
        self,
        settings: Settings,
        results: Mapping[str, Any],
        files: Sequence[Path] = (),
        texts: Mapping[str, Any] | None = None,
        fonts: Sequence[Path] = (),
        notes: Sequence[str] = (),
    ) -> None:
        self.settings, self.title = settings, settings.run.name
        self.files, self.notes = tuple(files), tuple(notes)
        self._results, self._texts, self._fonts = results, texts, tuple(fonts)
        self._tables = Tables(results)

    def __repr__(self) -> str:
        return f"<Inventory {self.title!r}: {len(self.sites)} sites, {len(self.reaches)} reaches>"

    def __getattr__(self, name: str) -> Any:
        if name in LAYERS_MADE:
            return self._tables[name]
        raise AttributeError(f"an inventory has no {name!r}; its layers are {', '.join(LAYERS_MADE)}")

    def __dir__(self) -> list[str]:
        return sorted({*super().__dir__(), *LAYERS_MADE})

    @property
    def tables(self) -> Mapping[str, pd.DataFrame]:
        """All layers by name, each a table as the data dictionary declares it."""
        return self._tables

    @property
    def sites(self) -> geopandas.GeoDataFrame:
        """The selected sites, a point each."""
        return self._tables["sites"]

    @property
    def reaches(self) -> geopandas.GeoDataFrame:
        """All reaches of the region, a line each, with verdict and reasons."""
        return self._tables["reaches"]

    @property
    def totals(self) -> pd.DataFrame:
        """Totals of the region and of each district."""
        table: pd.DataFrame = self._tables["totals"]
        return table

    @property
    def path(self) -> Path:
        """The delivered GeoPackage.

        Raises
        ------
        InputError
            If no file was written.
        """
        if not self.files:
            raise InputError.of(
                "this inventory lies in no file",
                expected="one that was written",
                found="tables in memory alone",
                fix="call its write() or write_geopackage() first",
            )
        return self.files[0]

    @property
    def currency(self) -> str:
        """Of all money, and whether some was in another."""
        return str(self._results["money"].described)

    @property
    def region_totals(self) -> dict[str, Any]:
        """The row of the whole region in the layer ``totals``, as a dict."""
        return dict(region_of(self._results["totals_table"]))

    @property
    def counts_unresolved(self) -> bool:
        """Whether heads count that the DEM does not resolve."""
        return bool(HEAD_UNRESOLVED.is_allowed(self.settings.ranking.allow))

    @property
    def handover(self) -> Handover:
        """All that page, sheets and plate are made of."""
        handover: Handover = handover_of(self.settings, self._results, self._fonts)
        return handover._replace(tables={name: self._results[f"{name}_table"] for name in LAYERS_MADE})

    @property
    def summary(self) -> str:
        """What was found, in words and figures."""
        with speaking(self.settings.delivery.language):
            return str(printed_summary(self._text(SUMMARY.name), self.files))

    @property
    def json(self) -> str:
        """What was found, as one JSON object."""
        return str(printed_json(self._text(FIGURES.name), self.files, self.notes))

    def write(self, folder: StrPath) -> list[Path]:
        """Write all files that the settings ask for, in place of the last delivery in a folder.

        Parameters
        ----------
        folder : path-like
            Made where it is not there. Files of an earlier delivery that differ go to ``previous`` in it.

        Returns
        -------
        list of Path
            The GeoPackage first.

        Raises
        ------
        InputError
            If a file would replace an input, or the folder or the disk refuses.
        """
        with tempfile.TemporaryDirectory(prefix="sitefinder-") as scratch:
            files, self._texts = make_files(self.settings, Path(folder), self._results, self._fonts, Path(scratch))
        self.files = tuple(files)
        return files

    def write_geopackage(self, path: StrPath) -> Path:
        """Write the GeoPackage alone.

        Parameters
        ----------
        path : path-like
            A file that is there already goes to ``previous`` in its folder.

        Returns
        -------
        Path

        Raises
        ------
        InputError
            If the file would replace an input, or the folder or the disk refuses.
        """
        path = Path(path)
        validate_replacing_inputs(self.settings, path.parent, [path.name])
        with tempfile.TemporaryDirectory(prefix="sitefinder-") as scratch:
            given, parts = given_to_files(self.settings, self._results, self._fonts, Path(scratch))
            stage = FILE_STAGES[GEOPACKAGE]
            made = run_stages([stage], given, parts=parts)
            (written,) = deliver(path.parent, {path.name: partial(_copy, made, stage.name)})
        self.files = self.files or (written,)
        return Path(written)

    # Summary or figures; a run that wrote no file has not made them yet.
    def _text(self, name: str) -> Any:
        if self._texts is None:
            given, parts = given_to_files(self.settings, self._results, self._fonts, None)
            self._texts = run_stages(stages_of_files([]), given, parts=parts)
        return self._texts[name]


class Tables(Mapping[str, "pd.DataFrame"]):
    """Layers by name, each copied when it is first asked for, so that nobody changes what files are made of."""

    def __init__(self, results: Mapping[str, Any]) -> None:
        self._results = results
        self._copies: dict[str, pd.DataFrame] = {}

    def __getitem__(self, name: str) -> Any:
        if name not in LAYERS_MADE:
            raise KeyError(name)
        if name not in self._copies:
            self._copies[name] = self._results[f"{name}_table"].copy()
        return self._copies[name]

    def __iter__(self) -> Iterator[str]:
        return iter(LAYERS_MADE)

    def __len__(self) -> int:
        return len(LAYERS_MADE)


def make_files(
    settings: Settings,
    output: Path,
    results: Mapping[str, Any],
    fonts: Sequence[Path],
    scratch: Path,
    *,
    started: Callable[[str, int, int], None] | None = None,
) -> tuple[list[Path], Mapping[str, Any]]:
    """Make all files that the settings ask for and put them in place of the last delivery, without a store.

    Parameters
    ----------
    settings : sitefinder.settings.Settings
    output : Path
        Folder of the delivery.
    results : Mapping
        Of the stages of `sitefinder.delivery.graph.STAGES`.
    fonts : sequence of Path
        See `sitefinder.report.handover.Handover`.
    scratch : Path
        Temporary folder for files.
    started : callable, optional
        See `sitefinder.pipeline.graph.run_stages`.

    Returns
    -------
    files : list of Path
        The GeoPackage first.
    texts : Mapping
        Results of the stages of files.

    Raises
    ------
    InputError
        If a file would replace an input, or the folder or the disk refuses.
    """
    names = wanted_files(settings.delivery)
    validate_replacing_inputs(settings, output, names)
    given, parts = given_to_files(settings, results, fonts, scratch)
    texts = run_stages(stages_of_files(names), given, started=started, parts=parts)
    return put_in_place(settings, output, names, texts, {}), texts


def given_to_files(
    settings: Settings, results: Any, fonts: Sequence[Path], scratch: Path | None
) -> tuple[dict[str, Any], dict[str, Any]]:
    """What stages of files are given, and that of it which each sees in parts."""
    logo = logo_of(settings)
    parts = {
        "settings": SettingsParts(settings),
        "made": MadeParts(results, STAGES),
        "fonts": FileParts("font", fonts),
        "logo": FileParts("logo", logo),
    }
    return {"settings": settings, "made": results, "fonts": fonts, "logo": logo, "scratch": scratch}, parts


def put_in_place(
    settings: Settings, output: Path, names: list[str], texts: Mapping[str, Any], digests: dict[str, str]
) -> list[Path]:
    """Put files into the output folder, those that are not there already.

    Parameters
    ----------
    settings : Settings
    output : Path
    names : list of str
        Of the files.
    texts : Mapping
        Results of the stages of files.
    digests : dict of str to str
        What the files hold, by name, where that is known.

    Returns
    -------
    list of Path

    Raises
    ------
    InputError
        If an input changed while the run read it, or the folder or the disk refuses.
    """
    writers = {name: partial(_copy, texts, FILE_STAGES[name].name) for name in names}
    # Files of a run state what was read; later, an inventory may be written whatever became of its inputs.
    if (bound := bound_now()) is not None:
        bound.validate()
    inputs = _inputs_in(settings, output)
    known = [name for name in KNOWN if name not in inputs]
    let_finish()
    return list(deliver(output, writers, known, digests, is_own=True))


def software_of_files() -> dict[str, str]:
    """Versions of what files are made with, by name; they show that of this program."""
    return {**software(), "sitefinder": __version__}


# A copy and no link: who changes a file in place, such as a GeoPackage with a new style, must not change the one
# that is kept.
def _copy(texts: Mapping[str, Any], stage: str, path: Path) -> None:
    shutil.copyfile(texts[stage], path)


def validate_replacing_inputs(settings: Settings, output: Path, names: Sequence[str]) -> None:
    """Refuse files that would replace an input of the settings."""
    inputs = _inputs_in(settings, output)
    for name in names:
        if name in inputs:
            raise InputError.of(
                "the delivery would replace an input",
                file=output / name,
                input=inputs[name],
                fix="deliver into another folder (run.output_folder), or move the input to another one",
            )


# Files of a folder that the settings name: name of the file to key of the setting. Any text that leads there
# counts, so that no input is forgotten.
def _inputs_in(settings: Settings, folder: Path) -> dict[str, str]:
    output = os.path.realpath(folder)
    found: dict[str, str] = {}
    for key, value in _texts(settings.model_dump(exclude={"run": True}), ""):
        place, file = os.path.split(os.path.realpath(os.path.join(settings.folder, value)))
        if place == output:
            found.setdefault(file, key)
    return found


def _texts(value: object, key: str) -> Iterator[tuple[str, str]]:
    if isinstance(value, str):
        if "\0" not in value:  # which no path holds
            yield key, value
    elif isinstance(value, dict):
        for name, item in value.items():
            yield from _texts(item, f"{key}.{name}" if key else str(name))
    elif isinstance(value, list | tuple):
        for item in value:
            yield from _texts(item, key)
