"""The command line: arguments to stages, errors to exit status."""

import sys
from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

from sitefinder import __version__
from sitefinder.errors import SitefinderError
from sitefinder.report.fit_text import fit_text
from sitefinder.report.summary import summary_text
from sitefinder.stages import run as stages
from sitefinder.stages.fit_flows import fit_flows

MENDABLE, INTERRUPTED = 2, 130
# What a stage is called while it runs.
STAGE_WORDS = {
    "dem_seams": "looking for seams in the DEM",
    "surface": "warping the DEM",
    "network": "linking streams",
    "placed": "placing stations and reaches",
    "dem_errors": "telling the DEM's errors",
    "channels": "finding channels",
    "terrain": "draining the terrain",
    "catchments": "adding up catchments",
    "fitted": "fitting the long profile",
    "field_levels": "taking in field measurements",
    "heads": "taking in field measurements",
    "flows": "estimating flows",
    "water_depths": "estimating water levels",
    "channel_shapes": "estimating how wide streams are",
    "waters": "looking for lakes, tides and structures",
    "least_heads": "telling the least head",
    "marks": "marking what is doubtful",
    "stretches": "finding stretches",
    "energy": "valuing stretches",
    "rule_overlaps": "laying rules over the streams",
    "verdicts": "judging reaches",
    "sites": "choosing sites",
    "fish_safety": "asking what fish-safe machines win",
}

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
        raise SystemExit(MENDABLE) from None
    except SystemExit as stopped:
        # Typer turns an interrupt into this status without a word.
        if stopped.code == INTERRUPTED:
            print("interrupted; nothing was delivered", file=sys.stderr)
        raise


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
    quiet: Annotated[bool, typer.Option("--quiet", "-q", help="no progress on standard error")] = False,
):
    """The whole job: progress on standard error, a summary on standard output."""
    console = Console(stderr=True, quiet=quiet)
    columns = (TextColumn("{task.description:<34}"), BarColumn(bar_width=24), TimeElapsedColumn())
    with Progress(*columns, console=console) as bars:
        bar = bars.add_task("reading settings and inputs", total=len(stages.STAGES) + 1)

        def started(name, number, count):
            bars.update(bar, description=STAGE_WORDS[name], completed=number - 1)

        def progress(done, count):
            if count > 1:
                bars.update(bar, description=f"{STAGE_WORDS['terrain']}, {done} of {count}")

        delivered = stages.run(config, workers=workers, strict=strict, started=started, progress=progress)
        bars.update(bar, description="done", completed=len(stages.STAGES) + 1)
    print(
        summary_text(
            delivered.title,
            delivered.tables,
            energy_p90_mwh=delivered.energy_p90_mwh,
            energy_p10_mwh=delivered.energy_p10_mwh,
            currency=delivered.currency,
            least_heads=delivered.least_heads,
            counts_unresolved=delivered.counts_unresolved,
            files=[delivered.path],
        ),
        end="",
    )


@app.command()
def check(config: Config):
    """Settings and inputs, in seconds, all problems at once."""
    settings, inputs = stages.check(config)
    layers = ", ".join(inputs.layers) or "none"
    print(f"{settings.run.name}: settings and inputs are sound")
    print(f"  layers:    {layers}")
    print(f"  rules:     {len(settings.rules)}")
    print(f"  machines:  {len(inputs.machines)} classes")
    print(f"  repairs:   {len(inputs.repairs)} on reading; each is listed by a run")


@app.command("fit-flows")
def fit_flows_command(config: Config):
    """Fit regional flow equations from a table of gauges, with diagnostics, and write them as an equation file."""
    delivered = fit_flows(config)
    print(fit_text(delivered.source, delivered.fits, delivered.files), end="")
