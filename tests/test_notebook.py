"""A notebook of ten cells: the sample region from settings to files, with a bar under the cell that runs it."""

import json
import re
import shutil

import nbformat
import pytest
from nbclient import NotebookClient

pytestmark = pytest.mark.slow
SECONDS = 300


def texts(cell):
    """What a cell shows, as text: each result or display, and what it prints."""
    return [
        output["text"] if output["output_type"] == "stream" else output["data"]["text/plain"]
        for output in cell.outputs
    ]


@pytest.fixture(scope="module")
def made(repository, copy_sample, made_once, sample_run):
    """The notebook after all of its cells have run in a folder with the sample region, and that folder."""
    return made_once("notebook", lambda folder: ran_in(folder, repository, copy_sample, sample_run))


def ran_in(folder, repository, copy_sample, sample_run):
    # No test here looks at a page or a sheet, which take longer than all cells.
    copy_sample(folder)
    notebook = nbformat.read(repository / "tests" / "notebooks" / "first_map.ipynb", as_version=4)
    assert not any(cell.get("outputs") for cell in notebook.cells)
    # Its store holds already what that run kept but for some tables, which are for the notebook to make.
    shutil.copytree(sample_run.store, folder / "kept")
    for entry in folder.glob("kept/results/*/entry.json"):
        if json.loads(entry.read_text("utf-8"))["place"] in ("sites_table", "reaches_table", "totals_table"):
            shutil.rmtree(entry.parent)
    before = {path for path in folder.rglob("*")}
    NotebookClient(notebook, timeout=SECONDS, resources={"metadata": {"path": str(folder)}}).execute()
    return [cell for cell in notebook.cells if cell.cell_type == "code"], folder, before


def test_ten_cells_run_and_say_what_was_found(made, sample_run):
    cells, _, _ = made

    assert len(cells) == 10
    shown = [texts(cell) for cell in cells]
    assert shown[0] == ["'Sample district'"]
    assert shown[1] == ["[]"]
    # The same region under the same settings, run by the command.
    sites, reaches = (len(sample_run.delivered.tables[name]) for name in ("sites", "reaches"))
    assert shown[2][-1] == f"<Inventory 'Sample district': {sites} sites, {reaches} reaches>"
    assert shown[4][0].startswith(f"{sites} sites, ")
    before, after = map(int, shown[7][0].strip("()").split(", "))
    assert before == sites > after > 0
    assert "unchanged" in shown[8][0]
    summary, names = shown[9]
    # Text alone, tables in their place: a notebook must not take them for something to show.
    assert re.search(r"^  verdict +reaches +km +gross theoretical$", summary, re.MULTILINE)
    assert "'sites.gpkg'" in names


def test_no_cell_warns(made):
    cells, _, _ = made

    streams = [output for cell in cells for output in cell.outputs if output["output_type"] == "stream"]
    assert {output["name"] for output in streams} == {"stdout"}


def test_the_bar_under_the_cell_ends_where_the_run_does(made):
    cells, _, _ = made

    bars = [output for output in cells[2].outputs if output["output_type"] == "display_data"]
    assert len(bars) == 1
    assert bars[0]["data"]["text/html"].startswith('<progress value="1" max="1"')
    assert bars[0]["data"]["text/plain"].startswith("done ")


def test_files_are_written_only_where_the_notebook_asks(made):
    _, folder, before = made

    new = {path.relative_to(folder).parts[0] for path in folder.rglob("*") if path not in before}
    assert new == {"kept", "stricter"}
    # The store is where the notebook put it, and what is delivered is not there.
    assert list((folder / "kept").glob("results/*"))
    assert not list(folder.glob("kept/*.gpkg"))
    assert (folder / "stricter" / "sites.gpkg").is_file()
