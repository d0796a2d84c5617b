"""The command line: arguments to stages, errors to exit status. Commands import what they need."""

import gc
import os
import sys
import textwrap
from pathlib import Path
from typing import Annotated

import typer

from sitefinder import __version__
from sitefinder.errors import SitefinderError
from sitefinder.pipeline.executors import OBJECTS_BEFORE_COLLECTION
from sitefinder.pipeline.linear_algebra import ENVIRONMENT
from sitefinder.units import gigabytes_of

EXIT_USER_ERROR, EXIT_INTERRUPTED = 2, 130
app = typer.Typer(
    add_completion=False,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    help="A regional inventory of low-head hydropower sites: screening, not design and not a permit.",
)
# A file that cannot be read is reported like any other problem, with what to do.
Config = Annotated[Path, typer.Argument(metavar="CONFIG.toml", readable=False, help="settings file of the run")]
Workers = Annotated[
    int | None,
    typer.Option(
        min=1,
        help="worker processes on this machine; default: as many as cores for a large region, else 1; no effect "
        "on results",
    ),
]
Scheduler = Annotated[
    str | None,
    typer.Option(
        metavar="ADDRESS", help="use the workers of a running Dask cluster, such as tcp://127.0.0.1:8786"
    ),
]
Log = Annotated[
    Path | None,
    typer.Option(metavar="FILE", help="append a log as JSON lines: stage, part, seconds, memory, time in UTC"),
]
Changes = Annotated[
    list[str] | None,
    typer.Option(
        "--set",
        metavar="KEY=VALUE",
        help="change a setting, as a line of the settings file, such as costs.price_per_kwh=0.2; repeatable",
    ),
]
Within = Annotated[
    str | None,
    typer.Option(
        metavar="PART",
        help="a trial: show only a part of the region, with the ids and numbers of the whole: a file of polygons, "
        "a box xmin,ymin,xmax,ymax, or what drains to x,y (coordinates of the run)",
    ),
]
Memory = Annotated[
    str | None,
    typer.Option(
        metavar="SIZE",
        help="memory that all processes on this machine may take, such as 2GiB; default: what is available",
    ),
]


def main():
    """Run the command; user errors exit with 2 and without a traceback."""
    gc.set_threshold(OBJECTS_BEFORE_COLLECTION)
    os.environ.update(ENVIRONMENT)
    try:
        app(prog_name="sitefinder", standalone_mode=True)
    except SitefinderError as error:
        sys.stdout.flush()
        print(error, file=sys.stderr)
        raise SystemExit(EXIT_USER_ERROR) from None
    except SystemExit as stopped:
        # Typer turns an interrupt into this status without a message.
        if stopped.code == EXIT_INTERRUPTED:
            print("interrupted; nothing was delivered", file=sys.stderr)
        raise
    finally:
        # What lives now goes with the process. Without this, Python looks through all of it for cycles at the end.
        gc.freeze()


# The size that an option states [GB].
def _gigabytes(text):
    try:
        return None if text is None else gigabytes_of(text)
    except ValueError as error:
        raise typer.BadParameter(str(error), param_hint="--memory") from None


def _version(wanted: bool):
    if wanted:
        print(f"sitefinder {__version__}")
        raise typer.Exit


@app.callback()
def _options(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="show the version and exit")
    ] = False,
):
    pass


@app.command()
def run(
    config: Config,
    within: Within = None,
    changes: Changes = None,
    workers: Workers = None,
    scheduler: Scheduler = None,
    strict: Annotated[
        bool, typer.Option("--strict", help="stop if a part of the stream network cannot be resolved")
    ] = False,
    no_store: Annotated[
        bool, typer.Option("--no-store", help="neither use stored results nor store those of this run")
    ] = False,
    verify: Annotated[bool, typer.Option("--verify", help="read all files again, even if unchanged")] = False,
    memory: Memory = None,
    quiet: Annotated[bool, typer.Option("--quiet", "-q", help="no progress on standard error")] = False,
    json: Annotated[bool, typer.Option("--json", help="one JSON object on standard output, for programs")] = False,
    log: Log = None,
):
    """Run the inventory: progress on standard error, a summary on standard output."""
    from sitefinder.io.settings_files import read_settings
    from sitefinder.pipeline.json_log import logged_to
    from sitefinder.running import run_and_deliver

    with logged_to(log, f"run {config}"):
        inventory = run_and_deliver(
            read_settings(config, changes or (), within),
            keep=not no_store,
            workers=workers,
            scheduler=scheduler,
            memory_gb=_gigabytes(memory),
            strict=strict,
            verify=verify,
            progress=not quiet,
        )
    for note in inventory.notes:
        print(note, file=sys.stderr)
    print(inventory.json if json else inventory.summary, end="\n" if json else "")


@app.command()
def new(
    folder: Annotated[
        Path, typer.Argument(metavar="FOLDER", help="folder to create; it may exist if it is empty")
    ],
    files: Annotated[
        list[str] | None,
        typer.Argument(metavar="[FILE...]", help="your files, to draft settings from; they stay in place"),
    ] = None,
):
    """Create a folder to start from: commented settings, turbines, costs, presets and a data folder."""
    if files:
        from sitefinder.inspection.drafts import new_folder_from

        settings = new_folder_from(folder, files)
        print(f'{settings}: decide every TODO, and confirm or correct every guess ("TODO: confirm ...")')
    else:
        from sitefinder.io.new_folder import write_new_folder

        settings = write_new_folder(folder)
        print(f"{settings}: fill in every TODO; put your files into {settings.parent / 'data'}")
    print(f"  then:  sitefinder check {settings}")


@app.command("inspect")
def inspect_command(
    files: Annotated[
        list[str],
        typer.Argument(metavar="FILE...", help="rasters, vector layers, tables (CSV), or zip archives of these"),
    ],
    dem: Annotated[
        str | None, typer.Option(metavar="FILE", help="DEM to compare extents with; default: the one among FILEs")
    ] = None,
    draft: Annotated[
        bool,
        typer.Option("--draft", help="print a settings section for each, guesses marked as TODO: confirm …"),
    ] = False,
    json: Annotated[bool, typer.Option("--json", help="one JSON object, for programs")] = False,
):
    """Show what files hold: coordinate system, extent, gaps, faults, fields, licence, and likely use."""
    from sitefinder.inspection.drafts import draft_text
    from sitefinder.inspection.inspecting import inspect_files
    from sitefinder.report.inspection import inspection_json, inspection_text

    inspected = inspect_files(files, dem)
    text = draft_text(inspected.found, Path()) if draft else inspection_text(inspected)
    print(inspection_json(inspected) + "\n" if json else text, end="")
    inspected.validate()


@app.command("plan")
def plan_command(config: Config, within: Within = None, changes: Changes = None, memory: Memory = None):
    """Show which stages a run would do again, and why, without running or writing anything."""
    from sitefinder.io.settings_files import read_settings
    from sitefinder.planning import plan

    settings = read_settings(config, changes or (), within)
    print(plan(settings, memory_gb=_gigabytes(memory)).summary, end="")


@app.command("explain")
def explain_command(
    run: Annotated[
        Path, typer.Argument(metavar="RUN", help="settings file of a run, or its output folder or GeoPackage")
    ],
    what: Annotated[
        str, typer.Argument(metavar="ID", help="a site, existing structure or reach, or a place as x,y")
    ],
    within: Within = None,
    changes: Changes = None,
    page: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="write the run's page too, with the explanation in the site's section"),
    ] = None,
    json: Annotated[bool, typer.Option("--json", help="one JSON object, for programs")] = False,
):
    """Explain the verdict of a site, structure, reach or place, and the nearest change that would alter it."""
    from sitefinder.finished_runs import explain
    from sitefinder.io.settings_files import read_settings

    of = read_settings(run, changes or (), within) if within or changes else run
    explanation = explain(of, what, page=page)
    print(explanation.json if json else explanation.summary, end="")


@app.command("sheets")
def sheets_command(
    run: Annotated[
        Path, typer.Argument(metavar="RUN", help="settings file of a run, or its output folder or GeoPackage")
    ],
    site_ids: Annotated[list[str], typer.Argument(metavar="ID...", help="sites, of any rank")],
    output: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="the PDF to write; default: sheets.pdf in the run's output folder"),
    ] = None,
    within: Within = None,
    changes: Changes = None,
):
    """Write field sheets of any sites of a finished run, beyond the best ones that have theirs already."""
    from sitefinder.finished_runs import write_sheets
    from sitefinder.io.settings_files import read_settings

    of = read_settings(run, changes or (), within) if within or changes else run
    print(write_sheets(of, site_ids, output))


@app.command("maps")
def maps_command(
    run: Annotated[
        Path, typer.Argument(metavar="RUN", help="settings file of a run, or its output folder or GeoPackage")
    ],
    districts: Annotated[
        list[str] | None, typer.Argument(metavar="DISTRICT...", help="names; absent: each district with a stream")
    ] = None,
    folder: Annotated[
        Path | None,
        typer.Option("--output", metavar="FOLDER", help="where to write them; default: the run's output folder"),
    ] = None,
    within: Within = None,
    changes: Changes = None,
):
    """Write a map of each district of a finished run, one page each."""
    from sitefinder.finished_runs import write_district_maps
    from sitefinder.io.settings_files import read_settings

    of = read_settings(run, changes or (), within) if within or changes else run
    for path in write_district_maps(of, districts or (), folder):
        print(path)


@app.command("publish")
def publish_command(
    run: Annotated[
        Path, typer.Argument(metavar="RUN", help="settings file of a run, or its output folder or GeoPackage")
    ],
    folder: Annotated[
        Path,
        typer.Argument(metavar="FOLDER", help="folder of the edition: new, empty, or with an earlier edition"),
    ],
    within: Within = None,
    changes: Changes = None,
    quiet: Annotated[bool, typer.Option("--quiet", "-q", help="no progress on standard error")] = False,
):
    """Make a public edition of a finished run: sensitive layers as cells, credits, and what a replay needs."""
    from sitefinder.io.settings_files import read_settings
    from sitefinder.publication.publishing import publish

    of = read_settings(run, changes or (), within) if within or changes else run
    print(publish(of, folder, progress=not quiet).summary, end="")


@app.command()
def check(config: Config, within: Within = None, changes: Changes = None, memory: Memory = None):
    """Check settings and inputs, in seconds, and list all problems at once."""
    from sitefinder.io.settings_files import read_settings
    from sitefinder.preparation import read_run
    from sitefinder.report.flow_quality import flow_lines, ground_notes
    from sitefinder.report.text import WIDTH
    from sitefinder.steps.demand import demand_lines, demand_of

    settings, inputs = read_run(read_settings(config, changes or (), within), _gigabytes(memory))
    layers = ", ".join(inputs.layers) or "none"
    print(f"{settings.run.name}: settings and inputs are valid")
    for note in ground_notes(inputs.repairs):
        print(*textwrap.wrap(note, WIDTH, initial_indent="  ", subsequent_indent="    "), sep="\n")
    for line in flow_lines(inputs.mean_regressions, inputs.suspect_gauges, settings.ranking.allow):
        print(line)
    print(f"  layers:    {layers}")
    print(f"  rules:     {len(settings.rules)}")
    print(f"  turbines:  {len(inputs.turbines)} classes")
    print(f"  repairs:   {len(inputs.repairs)} on reading; a run lists each in the layer repairs")
    print(*demand_lines(settings, demand_of(settings, inputs.counts)), sep="\n")


@app.command("fit-flows")
def fit_flows_command(config: Config):
    """Fit regional flow equations from a table of gauges, with diagnostics, and write them as an equation file."""
    from sitefinder.delivery.fitted_equations import fit_and_deliver

    print(fit_and_deliver(config).summary, end="")


@app.command("compare")
def compare_command(
    first: Annotated[
        Path, typer.Argument(metavar="OLD", readable=False, help="earlier run: its GeoPackage or output folder")
    ],
    second: Annotated[
        Path | None,
        typer.Argument(
            metavar="NEW",
            readable=False,
            help="later run; absent: OLD is the later run, compared with what it replaced (previous/)",
        ),
    ] = None,
    csv: Annotated[Path | None, typer.Option(help="write the layer changes as a table (CSV)")] = None,
    output: Annotated[Path | None, typer.Option(help="write a GeoPackage with the layer changes")] = None,
    page: Annotated[
        Path | None, typer.Option(help="write a page for a browser, with a map of both runs and their difference")
    ] = None,
    sheet: Annotated[Path | None, typer.Option(help="write the same on one printed page (PDF)")] = None,
    language: Annotated[str, typer.Option(metavar="TAG", help="language of page and sheet: en or de")] = "en",
    near_m: Annotated[
        float | None,
        typer.Option(
            min=0.01,
            show_default="20.0",
            help="maximum distance between two lines of the same stream \\[m]",
        ),
    ] = None,
    min_change: Annotated[
        float | None, typer.Option(min=0, max=100, help="treat numbers that differ by less as equal [%]")
    ] = None,
):
    """Compare two runs, reach by reach and site by site, with the causes of changes."""
    from sitefinder.finished_runs import compare

    old, new = (None, first) if second is None else (first, second)
    comparison = compare(
        old,
        new,
        csv=csv,
        output=output,
        page=page,
        sheet=sheet,
        language=language,
        near_m=near_m,
        min_change_percent=min_change,
    )
    print(comparison.summary, end="")


@app.command()
def scenarios(
    configs: Annotated[
        list[Path],
        typer.Argument(
            metavar="BASE.toml OTHER.toml...", readable=False, help="settings files; may extend each other"
        ),
    ],
    csv: Annotated[Path | None, typer.Option(help="write the figures as a table (CSV)")] = None,
    workers: Workers = None,
    scheduler: Scheduler = None,
    memory: Memory = None,
    quiet: Annotated[bool, typer.Option("--quiet", "-q", help="no progress on standard error")] = False,
    log: Log = None,
):
    """Run several settings files and show their figures side by side, each against the first."""
    from sitefinder.pipeline.json_log import logged_to
    from sitefinder.report.scenarios import scenario_text
    from sitefinder.scenarios import run_scenarios

    with logged_to(log, f"scenarios {' '.join(map(str, configs))}"):
        results = run_scenarios(
            configs,
            csv=csv,
            workers=workers,
            scheduler=scheduler,
            memory_gb=_gigabytes(memory),
            progress=not quiet,
        )
    print(scenario_text(results.title, results.table, results.currency, results.files), end="")
