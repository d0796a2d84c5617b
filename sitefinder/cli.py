"""The command line: arguments to stages, errors to exit status. What a command needs is imported inside it."""

import sys
from pathlib import Path
from typing import Annotated

import typer

from sitefinder import __version__
from sitefinder.errors import SitefinderError

EXIT_USER_ERROR, EXIT_INTERRUPTED = 2, 130
# What a stage is called while it runs.
STAGE_WORDS = {
    "dem_seams": "looking for seams in the DEM",
    "surface": "warping the DEM",
    "relief": "shading the relief",
    "network": "linking streams",
    "check_network": "checking the network",
    "stationing": "placing stations and reaches",
    "dem_errors": "telling the DEM's errors",
    "channels": "finding channels",
    "terrain": "draining the terrain",
    "catchments": "adding up catchments",
    "long_profile": "fitting the long profile",
    "field_levels": "taking in field measurements",
    "heads": "taking in field measurements",
    "flows": "estimating flows",
    "water_depths": "estimating water levels",
    "channel_shapes": "estimating how wide streams are",
    "water_bodies": "looking for lakes, tides and structures",
    "minimum_heads": "telling the least head",
    "quality_flags": "flagging what is doubtful",
    "stretches": "finding stretches",
    "energy": "valuing stretches",
    "rule_overlaps": "laying rules over the streams",
    "verdicts": "judging reaches",
    "sites": "choosing sites",
    "fish_safety": "asking what fish-safe machines win",
    "ranked_sites": "simulating and ranking the sites",
    "geopackage": "writing the GeoPackage",
    "page": "drawing the page",
    "field_sheets": "drawing the field sheets",
    "district_map": "drawing the map plate",
}
OTHER_STAGES = "making tables and files"

app = typer.Typer(
    add_completion=False,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    help="A regional inventory of low-head hydropower sites: screening, not design and not a permit.",
)
Config = Annotated[Path, typer.Argument(metavar="CONFIG.toml", help="settings file of the run")]


def main():
    """Run the command; the user's mistakes exit with 2 and without a traceback."""
    try:
        app(prog_name="sitefinder", standalone_mode=True)
    except SitefinderError as error:
        sys.stdout.flush()
        print(error, file=sys.stderr)
        raise SystemExit(EXIT_USER_ERROR) from None
    except SystemExit as stopped:
        # Typer turns an interrupt into this status without a word.
        if stopped.code == EXIT_INTERRUPTED:
            print("interrupted; nothing was delivered", file=sys.stderr)
        raise


# What a stage is called while it runs.
def _words(name):
    return STAGE_WORDS.get(name, OTHER_STAGES)


def _version(wanted: bool):
    if wanted:
        print(f"sitefinder {__version__}")
        raise typer.Exit


@app.callback()
def _options(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="say the version and stop")
    ] = False,
):
    pass


@app.command()
def run(
    config: Config,
    workers: Annotated[
        int | None, typer.Option(min=1, help="processes for terrain tiles; changes no result")
    ] = None,
    strict: Annotated[
        bool, typer.Option("--strict", help="stop where a part of the stream network cannot be resolved")
    ] = False,
    no_store: Annotated[
        bool, typer.Option("--no-store", help="use no results of earlier runs and keep none of this one")
    ] = False,
    verify: Annotated[
        bool, typer.Option("--verify", help="read files and stored results again, also where none seems changed")
    ] = False,
    quiet: Annotated[bool, typer.Option("--quiet", "-q", help="no progress on standard error")] = False,
    json: Annotated[bool, typer.Option("--json", help="one JSON object on standard output, for machines")] = False,
):
    """The whole job: progress on standard error, a summary on standard output."""
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

    from sitefinder import inventory as stages

    console = Console(stderr=True, quiet=quiet)
    columns = (TextColumn("{task.description:<34}"), BarColumn(bar_width=24), TimeElapsedColumn())
    with Progress(*columns, console=console) as bars:
        bar = bars.add_task("reading settings and inputs", total=len(stages.STAGES) + 1)

        def started(name, number, count):
            bars.update(bar, description=_words(name), completed=number - 1, total=count)

        def progress(done, count):
            if count > 1:
                bars.update(bar, description=f"{STAGE_WORDS['terrain']}, {done} of {count}")

        delivered = stages.run(
            config,
            workers=workers,
            strict=strict,
            started=started,
            progress=progress,
            keep=not no_store,
            verify=verify,
        )
        bars.update(bar, description="done", completed=1, total=1)
    for note in delivered.notes:
        print(note, file=sys.stderr)
    print(delivered.json if json else delivered.summary, end="\n" if json else "")


@app.command()
def new(
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="folder to make; an empty one may be there")],
):
    """A folder to begin with: commented settings, machines, costs and presets to change, and a place for data."""
    from sitefinder.io.new_folder import write_new_folder

    settings = write_new_folder(folder)
    print(
        f"{settings}: settings to fill in, wherever they say TODO; your files go into {settings.parent / 'data'}"
    )
    print(f"  then:  sitefinder check {settings}")


@app.command()
def plan(config: Config):
    """What a run would do again, and why; nothing is run and nothing written."""
    from sitefinder import inventory as stages
    from sitefinder.report.summary import plan_text

    planned = stages.plan(config)
    print(
        plan_text(
            planned.title,
            planned.stages,
            store=planned.store,
            results=planned.results,
            size_gb=planned.size_gb,
        ),
        end="",
    )


@app.command()
def check(config: Config):
    """Settings and inputs, in seconds, all problems at once."""
    from sitefinder import inventory as stages

    settings, inputs = stages.check(config)
    layers = ", ".join(inputs.layers) or "none"
    print(f"{settings.run.name}: settings and inputs are sound")
    print(f"  layers:    {layers}")
    print(f"  rules:     {len(settings.rules)}")
    print(f"  machines:  {len(inputs.turbines)} classes")
    print(f"  repairs:   {len(inputs.repairs)} on reading; each is listed by a run")


@app.command("fit-flows")
def fit_flows_command(config: Config):
    """Fit regional flow equations from a table of gauges, with diagnostics, and write them as an equation file."""
    from sitefinder.delivery.fitted_equations import fit_flows
    from sitefinder.report.fit import fit_text

    delivered = fit_flows(config)
    print(fit_text(delivered.source, delivered.fits, delivered.files), end="")


@app.command("compare")
def compare_command(
    first: Annotated[Path, typer.Argument(metavar="OLD", help="earlier run: its GeoPackage or output folder")],
    second: Annotated[
        Path | None,
        typer.Argument(
            metavar="NEW", help="later run; absent: OLD is it, held against what it replaced (previous/)"
        ),
    ] = None,
    csv: Annotated[Path | None, typer.Option(help="write the layer changes as a table (CSV)")] = None,
    output: Annotated[Path | None, typer.Option(help="write a GeoPackage with the layer changes")] = None,
    near_m: Annotated[
        float | None,
        typer.Option(
            min=0.01,
            show_default="20.0",
            help="how far apart a stream may be drawn in the two to be the same \\[m]",
        ),
    ] = None,
    min_change: Annotated[
        float | None, typer.Option(min=0, max=100, help="numbers that differ by less count as the same [%]")
    ] = None,
):
    """What changed between two runs, reach by reach and site by site, with the cause."""
    from sitefinder.comparison.matching import NEAR_M
    from sitefinder.delivery.comparison import compare
    from sitefinder.report.text_comparison import change_text

    old, new = (None, first) if second is None else (first, second)
    entries = compare(
        old,
        new,
        csv=csv,
        output=output,
        near_m=NEAR_M if near_m is None else near_m,
        min_change_percent=min_change,
    )
    print(change_text(entries.title, entries.paths, entries.changes, entries.files), end="")


@app.command()
def scenarios(
    configs: Annotated[
        list[Path], typer.Argument(metavar="BASE.toml OTHER.toml...", help="settings files; may extend each other")
    ],
    csv: Annotated[Path | None, typer.Option(help="write the figures as a table (CSV)")] = None,
    workers: Annotated[
        int | None, typer.Option(min=1, help="processes for terrain tiles; changes no result")
    ] = None,
    quiet: Annotated[bool, typer.Option("--quiet", "-q", help="no progress on standard error")] = False,
):
    """Run several settings files and set their figures side by side, each against the first."""
    from rich.console import Console
    from rich.progress import Progress, TextColumn, TimeElapsedColumn

    from sitefinder.report.summary import scenario_text
    from sitefinder.scenarios import run_scenarios

    console = Console(stderr=True, quiet=quiet)
    with Progress(TextColumn("{task.description}"), TimeElapsedColumn(), console=console) as bars:
        bar = bars.add_task("reading settings and inputs", total=None)

        def started(scenario, name, number, count):
            bars.update(bar, description=f"{scenario}: {_words(name)}")

        beside = run_scenarios(configs, csv=csv, workers=workers, started=started)
        bars.update(bar, description="done")
    print(scenario_text(beside.title, beside.table, beside.currency, beside.files), end="")
