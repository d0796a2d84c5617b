"""How much of a run is done again after one more exclusion layer: the sample region and, if it is there, Logan.

Run as ``python tests/benchmarks/reruns.py``. It takes the seconds of stages from the accounts that the runs keep;
what is read at the start and what is delivered at the end is listed too. Ends with status 1 where the stages
of the rerun take more than a tenth of those of the first run, or where leaving the layer out does not give the
first file back.
"""

import json
import re
import shutil
import sys
import tempfile
from pathlib import Path

import geopandas
import pyogrio
import shapely

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from sitefinder.running import run_and_deliver

REPOSITORY = Path(__file__).resolve().parents[2]
MAX_SHARE = 0.1
RULE = '\n[[rules]]\nname = "one more"\npath = "{path}"\nid_column = "id"\naction = "exclude"\n'


def sample(folder):
    """The sample region in a folder of its own: its settings."""
    shutil.copytree(REPOSITORY / "config", folder / "config")
    not_data = shutil.ignore_patterns("*.py", "out*", "__pycache__")
    shutil.copytree(REPOSITORY / "sample-region", folder / "sample-region", ignore=not_data)
    return folder / "config" / "sample.toml"


def logan(folder):
    """The Logan River with its settings in a folder of its own."""
    here = REPOSITORY / "tests" / "real"
    text = (here / "logan.toml").read_text(encoding="utf-8")
    for written in re.findall(r'"([^"]+\.(?:csv|toml|tif|gpkg))"', text):
        text = text.replace(f'"{written}"', f'"{(here / written).resolve().as_posix()}"')
    settings = folder / "logan.toml"
    settings.write_text(text, encoding="utf-8")
    return settings


def circles(delivered, folder):
    """A layer of circles around every third site: a new exclusion that the choice of sites must make room for."""
    sites = pyogrio.read_dataframe(delivered, layer="sites").iloc[::3]
    frame = geopandas.GeoDataFrame(
        {"id": sites["site_id"]}, geometry=shapely.buffer(sites.geometry, 300.0), crs=sites.crs
    )
    path = folder / "one_more.gpkg"
    pyogrio.write_dataframe(frame, path)
    return path


def last_record(delivered):
    """The account of the latest run."""
    accounts = sorted((delivered.parent / ".sitefinder-store" / "runs").iterdir())
    return json.loads(accounts[-1].read_text(encoding="utf-8"))


def seconds_of_stages(account):
    """Seconds of the stages that a run did."""
    return sum(result["seconds"] for result in account["results"] if not result["was_kept"])


def print_line(name, account, share=None):
    """One line of the table."""
    made = [result for result in account["results"] if not result["was_kept"]]
    seconds = account["seconds"]
    print(
        f"  {name:<22} {len(made):7d}  {seconds_of_stages(account):9.2f}  {seconds['reading']:7.2f}  "
        f"{seconds['delivery']:9.2f}" + ("" if share is None else f"  {100 * share:5.1f} %")
    )


def measured(title, settings, folder):
    """Run, run with one more layer, run without it; whether the promises hold."""
    print(f"{title}\n  {'':<22} results  stages, s  read, s  deliver, s")
    first = run_and_deliver(settings).path
    before, account = first.read_bytes(), last_record(first)
    print_line("first run", account)
    text = settings.read_text(encoding="utf-8")
    layer = circles(first, folder)
    settings.write_text(text + RULE.format(path=layer.as_posix()), encoding="utf-8")
    run_and_deliver(settings)
    again = last_record(first)
    share = seconds_of_stages(again) / seconds_of_stages(account)
    print_line("one more layer", again, share)
    settings.write_text(text, encoding="utf-8")
    back = run_and_deliver(settings).path.read_bytes() == before
    print_line("without it", last_record(first))
    print(f"  the first file is back, byte for byte: {'yes' if back else 'NO'}")
    return back and share <= MAX_SHARE


def main():
    """Print the tables."""
    regions = {"Sample region": sample, "Logan": logan}
    kept = []
    for title, made in regions.items():
        with tempfile.TemporaryDirectory() as folder:
            kept.append(measured(title, made(Path(folder)), Path(folder)))
    return 0 if all(kept) else 1


if __name__ == "__main__":
    sys.exit(main())
