"""`sitefinder publish`: a public edition of a run, made again from the public form of its inputs."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import tempfile
from collections.abc import Iterator, Mapping, Sequence
from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple, cast

import numpy as np
import shapely

from sitefinder.errors import InputError, SitefinderError, all_of, described
from sitefinder.finished_runs import finished_run, settings_of_run
from sitefinder.inventory import Inventory
from sitefinder.io.output_folder import OWN_FOLDER, PREVIOUS
from sitefinder.io.settings_files import read_toml
from sitefinder.io.software import software
from sitefinder.io.toml_text import toml_document
from sitefinder.pipeline.build import own_build
from sitefinder.preparation import StrPath, output_folder, store_folder
from sitefinder.progress import Listener
from sitefinder.publication.crate import METADATA_FILE, About, CrateFile, crate
from sitefinder.publication.edition_folder import MARKER, problem_of_folder, put_in_place
from sitefinder.publication.public_form import (
    SETTINGS_FILE,
    Generalised,
    PublicForm,
    length_text,
    problems_of_publication,
    public_form,
)
from sitefinder.report.edition import edition_notes, readme_text, reasons_in_words
from sitefinder.report.handover import region_of
from sitefinder.report.publication import publication_text
from sitefinder.rules.generalisation import squares
from sitefinder.running import run
from sitefinder.settings import Settings, check_settings

if TYPE_CHECKING:
    import pandas as pd

BUNDLE, DELIVERY, README, REASONS = "bundle", "delivery", "README.md", "reasons.csv"
WHAT_FILES_ARE = {
    README: "What the edition holds, what was generalised, licences and credits, and how to make it again",
    REASONS: "Why each reach has its verdict and its site or none, in plain words",
    MARKER: "Names and digests of all files of the edition",
    f"{BUNDLE}/{SETTINGS_FILE}": "Settings from which the delivery is made again",
}
# What changes with licences and with the files that are asked for: these may be stated after a run.
NOT_NEEDED = ("provenance_table", "site_contours")
# Figures that the publisher sees for both, and no file of the edition holds for the run itself.
COMPARED = ("sites", "energy_wh", "open_m", "excluded_m")


class Published(NamedTuple):
    """A public edition: its folder and files, and what the publisher should know; ``inventory`` is the
    edition's."""

    folder: Path
    files: list[Path]
    inventory: Inventory
    summary: str


def publish(
    settings: Settings | StrPath,
    folder: StrPath,
    *,
    store: StrPath | None = None,
    progress: bool | Listener = False,
) -> Published:
    """A public edition of a finished run, in a folder of its own.

    Parameters
    ----------
    settings : Settings or path-like
        Settings, a settings file, or the output folder or GeoPackage of a run beside whose store it lies.
    folder : path-like
        Of the edition: new, empty, or with an earlier edition, which is replaced as a whole and not kept.
    store : path-like, optional
        Folder of the results that the run kept; absent: the one that the settings name.
    progress : bool or callable, optional
        See `sitefinder.run`.

    Returns
    -------
    Published

    Raises
    ------
    ConfigError, InputError
        Listing every problem: of settings, licences and folders, or if a result of the run is not kept. Nothing is
        written then.

    Notes
    -----
    The edition is a run of the public form of the inputs (`sitefinder.publication.public_form`): features that
    must not be published are replaced by the cells in which they lie before anything is computed. So nothing in it
    depends on where in its cell a feature lies, whatever way it might have taken into a figure, a map or a text.
    Stages that look at no such layer are taken from the results of the run.
    """
    given = settings if isinstance(settings, Settings) else settings_of_run(Path(settings))
    folder, shown = Path(os.path.abspath(folder)), folder
    kept = store_folder(given) if store is None else Path(os.path.abspath(store))
    problems = [*problems_of_publication(given), *_problems_of_places(given, folder, kept)]
    with tempfile.TemporaryDirectory(prefix="sitefinder-") as scratch:
        made, work = Path(scratch) / "made", Path(scratch) / BUNDLE
        made.mkdir()
        with ExitStack() as stack:
            try:
                own = finished_run(given, store, "it cannot be published", apart_from=NOT_NEEDED)
                _, inputs, results = stack.enter_context(own)
            except SitefinderError as error:
                problems += error.problems
            if problems:
                raise all_of(InputError, "the run cannot be published", problems, named=False)
            form = public_form(given, inputs, inputs.bounds, made)
            before = region_of(results["totals_table"])
        notes = _notes(form)
        delivery = form.tables.setdefault("delivery", {})
        delivery["notes"] = [*delivery.get("notes", ()), *notes]
        _lay_out(form, work)
        public = _public_settings(form, work)
        inventory = run(
            public,
            Path(scratch) / DELIVERY,
            store=kept,
            workers=given.run.workers,
            memory_gb=given.run.memory_limit_gb,
            progress=progress,
        )
        inputs.validate_unchanged()
        tables = inventory.tables
        writer = _Edition(form, public, tables, notes, work, Path(scratch) / DELIVERY)
        files = put_in_place(folder, writer.write)
        after = region_of(tables["totals"])
        summary = publication_text(
            public.run.name,
            shown,
            len(files),
            _generalised_lines(form, tables["reaches"]),
            [(name, float(before[name]), float(after[name])) for name in COMPARED],
            [one.name for one in form.inputs if not one.is_public],
            form.warnings,
        )
    return Published(folder, files, inventory, summary)


# Where an edition may not go: into what the run wrote or reads, or about it.
def _problems_of_places(settings: Settings, folder: Path, store: Path) -> list[str]:
    others = {
        "the run's output folder": output_folder(settings),
        "the run's store of results": store,
        "the folder of the settings": Path(settings.folder),
    }
    for what, other in others.items():
        real, own = Path(os.path.realpath(other)), Path(os.path.realpath(folder))
        is_inside = own.is_relative_to(real) and what != "the folder of the settings"
        if is_inside or real.is_relative_to(own):
            return [
                described(
                    f"the folder of the public edition is {'in' if is_inside else 'around'} {what}",
                    folder=folder,
                    expected="a folder that can be handed on with all that is in it",
                    found=other,
                    fix="name a folder outside, such as one beside it",
                )
            ]
    problem = problem_of_folder(folder)
    return [] if problem is None else [str(problem)]


def _notes(form: PublicForm) -> list[str]:
    generalised = [(one.name, length_text(one.cell_m)) for one in form.generalised]
    notes: list[str] = edition_notes(generalised, form.left_out, form.hidden_left_out, form.texts_withheld)
    return notes


# All inputs at their places in a folder for the run, those that are not passed on among them, and the settings.
def _lay_out(form: PublicForm, work: Path) -> None:
    for one in form.inputs:
        for file, name in one.files:
            place = work / name
            place.parent.mkdir(parents=True, exist_ok=True)
            if not place.exists():
                _linked(file, place)
    (work / SETTINGS_FILE).write_text(toml_document(form.tables), encoding="utf-8")


# Inputs may be large: a copy is made only where a disk has no links.
def _linked(file: Path, place: Path) -> None:
    try:
        place.symlink_to(os.path.abspath(file))
    except OSError:
        shutil.copyfile(file, place)


# The settings as a replay reads them, and where links in the folder lead.
def _public_settings(form: PublicForm, work: Path) -> Settings:
    tables = read_toml(work / SETTINGS_FILE)
    folders = sorted({str(file.parent) for one in form.inputs for file, _ in one.files})
    tables["inputs"]["allow_outside"] = folders
    return check_settings(tables, "settings of the public edition", folder=str(work))


# What is written into the folder of an edition.
class _Edition:
    def __init__(
        self,
        form: PublicForm,
        settings: Settings,
        tables: Mapping[str, pd.DataFrame],
        notes: Sequence[str],
        work: Path,
        delivery: Path,
    ) -> None:
        self._form, self._settings, self._tables = form, settings, tables
        self._notes, self._work, self._delivery = notes, work, delivery

    def write(self, folder: Path) -> None:
        form = self._form
        for path in _delivered(self._delivery):
            _copy(path, folder / DELIVERY / path.relative_to(self._delivery))
        for one in form.inputs:
            for file, name in one.files if one.is_public else ():
                _copy(file, folder / BUNDLE / name)
        _copy(self._work / SETTINGS_FILE, folder / BUNDLE / SETTINGS_FILE)
        reasons_in_words(self._tables["reaches"]).to_csv(folder / REASONS, index=False, lineterminator="\n")
        about, build = self._about(), own_build()
        generalised = [(one.name, length_text(one.cell_m), len(one.cells)) for one in form.generalised]
        counts = len(self._tables["reaches"]), len(self._tables["sites"])
        versions = [("sitefinder", build.version), *software().items()]
        readme = readme_text(about, self._notes, form.inputs, generalised, counts, versions)
        (folder / README).write_text(readme, encoding="utf-8", newline="\n")
        files = [self._crate_file(folder, path) for path in sorted(folder.rglob("*")) if path.is_file()]
        files.append(CrateFile(MARKER, 0, "", WHAT_FILES_ARE[MARKER]))
        metadata = crate(
            about, files, form.inputs, f"{BUNDLE}/", f"{DELIVERY}/", software(), (build.version, build.commit)
        )
        text = json.dumps(metadata, ensure_ascii=False, indent=1) + "\n"
        (folder / METADATA_FILE).write_text(text, encoding="utf-8", newline="\n")

    def _about(self) -> About:
        delivery = self._settings.delivery
        return About(
            self._settings.run.name,
            "Inventory of potential low-head hydropower sites, computed from the public form of its inputs. "
            + " ".join(self._notes),
            cast("str", delivery.date),
            self._form.licence,
            delivery.contact,
        )

    def _crate_file(self, folder: Path, path: Path) -> CrateFile:
        name = path.relative_to(folder).as_posix()
        keys = {f"{BUNDLE}/{place}": one.name for one in self._form.inputs for _, place in one.files}
        what = WHAT_FILES_ARE.get(name) or keys.get(name) or path.name
        digest = hashlib.sha256()
        with path.open("rb") as file:
            while chunk := file.read(1 << 20):
                digest.update(chunk)
        return CrateFile(name, path.stat().st_size, digest.hexdigest(), what)


# Files of a delivery, without what only its folder needs.
def _delivered(folder: Path) -> Iterator[Path]:
    for path in sorted(folder.rglob("*")):
        if path.is_file() and path.relative_to(folder).parts[0] not in (OWN_FOLDER, PREVIOUS):
            yield path


# What a file holds, without its time and permissions.
def _copy(file: Path, place: Path) -> None:
    place.parent.mkdir(parents=True, exist_ok=True)
    shutil.copyfile(file, place)


# Of each generalised layer its name, side and number of cells, and the fewest reaches that one of them meets.
def _generalised_lines(form: PublicForm, reaches: Any) -> list[tuple[str, str, int, int]]:
    return [
        (one.name, length_text(one.cell_m), len(one.cells), _fewest_reaches(one, reaches))
        for one in form.generalised
    ]


def _fewest_reaches(one: Generalised, reaches: Any) -> int:
    boxes = squares(one.cells["column"].to_numpy(), one.cells["row"].to_numpy(), one.cell_m)
    of_cells, _ = shapely.STRtree(np.asarray(reaches.geometry, dtype=object)).query(boxes, predicate="intersects")
    counts = np.bincount(of_cells, minlength=len(boxes))
    met = counts[counts > 0]
    return int(met.min()) if len(met) else 0
