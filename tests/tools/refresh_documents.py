"""Bring the documents up to date with what they describe, and list which were stale.

    python tests/tools/refresh_documents.py              the generated reference, in seconds
    python tests/tools/refresh_documents.py --printed    also what the commands print, and pictures; some minutes
    python tests/tools/refresh_documents.py --measured   also accuracy and speed; long, and alone on the machine

Tests compare all but what was measured with what they would be, and name the document that is stale.
"""

import argparse
import os
import re
import shlex
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

REPOSITORY = Path(__file__).resolve().parents[2]
# Behind all else, so that an installed sitefinder is found first.
sys.path.append(str(REPOSITORY))

import sitefinder  # noqa: E402
from sitefinder.schema.documentation import documents, filled  # noqa: E402

# Folders below the checkout whose documents are not the project's.
NOT_OURS = {"build", "dist", "out", "node_modules", "__pycache__"}
# Where the whole output of each command stands; README shows a part of the first.
PRINTED = "sample-region/README.md"
RUN = "install-and-run"
SOLAR = "tests/benchmarks/small_turbine_and_solar.py"
# A change of the settings before `plan`, so that there is something to plan.
FOR_PLAN = ("buffer_m = 40.0", "buffer_m = 100.0")
# Holds what was measured of accuracy and speed, each below its command.
METHODS = "sitefinder/README.md"


def document_paths():
    """Every Markdown document of the checkout, as a path in it.

    Returns
    -------
    list of str
    """
    found = []
    # Folders that are not ours, such as an environment with its packages, are not entered.
    for folder, folders, files in os.walk(REPOSITORY):
        folders[:] = filter(_is_ours, folders)
        found += [Path(folder, name) for name in files if name.endswith(".md") and _is_ours(name)]
    return [path.relative_to(REPOSITORY).as_posix() for path in sorted(found)]


def _is_ours(name):
    return not name.startswith((".", "out-")) and name not in NOT_OURS


def marked(text, kind, name):
    """What stands in a fenced block between ``<!-- kind: name -->`` and ``<!-- end -->``.

    Raises
    ------
    ValueError
        If there is not exactly one.
    """
    found = re.findall(
        rf"^<!-- {kind}: {re.escape(name)} -->\n```\n(.*?)```\n<!-- end -->$", text, flags=re.M | re.S
    )
    if len(found) != 1:
        raise ValueError(f"the document must hold {kind} {name} once, in a fenced block between its markers")
    return found[0]


def with_marked(text, kind, name, content, fence="```"):
    """The document with that content between its markers.

    Raises
    ------
    ValueError
        If the markers are not there exactly once.
    """
    start = f"<!-- {kind}: {name} -->\n"
    if text.count(start) != 1:
        raise ValueError(f"the document must hold {start.strip()} once")
    before, after = text.split(start)
    _, after = after.split("<!-- end -->", 1)
    opened, closed = (f"{fence}\n", "```\n") if fence else ("", "")
    return f"{before}{start}{opened}{content}{closed}<!-- end -->{after}"


def excerpt(printed):
    """What README shows of a run's summary: its title, the totals of the sites, their money, and the best of them.

    Parameters
    ----------
    printed : str
        All that `sitefinder run` prints.

    Returns
    -------
    str
    """
    paragraphs = printed.strip("\n").split("\n\n")
    of_sites = [part for part in paragraphs[1:] if re.match(r"\d+ sites? |Price |Best \d+ of ", part)]
    return "\n\n".join([paragraphs[0], *of_sites]) + "\n"


def generated():
    """The documents as their sources say, without a run.

    Returns
    -------
    dict of str to str
        Text by path in the checkout.
    """
    made = documents()
    for name in document_paths():
        if name not in made:
            made[name] = filled(_read(name))
    made["README.md"] = with_marked(made["README.md"], "made by", SOLAR, solar_table(), fence="")
    guide, stricter = "config/README.md", "config/stricter.toml"
    made[guide] = with_marked(made[guide], "file", stricter, _read(stricter), fence="```toml")
    return made


def solar_table():
    """The table of small hydropower beside solar, as its benchmark prints it."""
    return _output([sys.executable, str(REPOSITORY / SOLAR)], REPOSITORY)


def printed(folder, shown):
    """What the commands print of the sample region, run in a copy of it.

    Parameters
    ----------
    folder : Path
        An empty one, to run in.
    shown : str
        The document that holds the commands.

    Returns
    -------
    dict of str to str
        Standard output by the name of the command.
    """
    shutil.copytree(REPOSITORY / "config", folder / "config")
    not_data = shutil.ignore_patterns("*.py", "*.md", "out*", "__pycache__")
    shutil.copytree(REPOSITORY / "sample-region", folder / "sample-region", ignore=not_data)
    settings = folder / "config" / "sample.toml"
    text = settings.read_text(encoding="utf-8")

    def result(name):
        return command_output(marked(shown, "command", name), folder)

    made = {RUN: result(RUN)}
    settings.write_text(text.replace(*FOR_PLAN), encoding="utf-8")
    made["plan"] = result("plan")
    settings.write_text(text, encoding="utf-8")
    made["fit-flows"] = result("fit-flows")
    command_output("sitefinder run config/stricter.toml", folder)
    made["compare"], made["scenarios"] = result("compare"), result("scenarios")
    return made


def command_output(command, folder):
    """Standard output of a `sitefinder` command as a document writes it, run by this Python in a folder."""
    arguments = command.strip().split(" && ")[-1].split()
    if Path(arguments[0]).name != "sitefinder":
        raise ValueError(f"not a command of sitefinder: {command}")
    return _output([sys.executable, "-m", "sitefinder", *arguments[1:]], folder)


def main():
    """Write what is stale."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument(
        "--printed", action="store_true", help="also run the sample region; makes the pictures, too"
    )
    parser.add_argument("--measured", action="store_true", help="also measure accuracy and speed")
    given = parser.parse_args()
    made = generated()
    if given.printed:
        with tempfile.TemporaryDirectory() as folder:
            outputs = printed(Path(folder), made[PRINTED])
            take_pictures(Path(folder) / "sample-region" / "out")
        for name, output in outputs.items():
            made[PRINTED] = with_marked(made[PRINTED], "result", name, output)
        made["README.md"] = with_marked(made["README.md"], "result", RUN, excerpt(outputs[RUN]))
    if given.measured:
        text = made[METHODS]
        for name in re.findall(r"^<!-- command: (\S+) -->$", text, flags=re.M):
            text = with_marked(text, "result", name, measured(marked(text, "command", name)))
        made[METHODS] = text
    stale = [name for name, text in made.items() if not (REPOSITORY / name).is_file() or _read(name) != text]
    for name in stale:
        (REPOSITORY / name).write_text(made[name], encoding="utf-8")
        print(f"was stale: {name}")
    if not stale:
        print("nothing was stale")


def measured(command):
    """What a command that measures prints, without what pytest says around it."""
    line = command.strip().replace(".venv/bin/python", shlex.quote(sys.executable))
    lines = _output(["bash", "-euo", "pipefail", "-c", line], REPOSITORY).strip("\n").splitlines()
    of_pytest = re.compile(r"\.*(\s*\[\s*\d+%\])?$|\d+ passed|no tests? skipped|sitefinder: ")
    kept = [line.lstrip(".") if re.match(r"\.+\w", line) else line for line in lines]
    while kept and of_pytest.match(kept[-1]):
        kept.pop()
    return "\n".join(line for line in kept if not re.fullmatch(r"\.+", line)).strip("\n") + "\n"


def take_pictures(delivered):
    """Picture the page and the first field sheet, for README; look at them before you commit them.

    Parameters
    ----------
    delivered : Path
        Output folder of the sample run.
    """
    pictures = REPOSITORY / "sample-region" / "pictures"
    missing = [name for name in ("chromium", "pdftoppm") if shutil.which(name) is None]
    if missing:
        print(f"no new pictures: {' and '.join(missing)} not found")
        return
    browser = ["chromium", "--headless", "--no-sandbox", "--hide-scrollbars", "--virtual-time-budget=5000"]
    shot = ["--window-size=1400,1010", f"--screenshot={pictures / 'page.png'}"]
    page = [*browser, *shot, (delivered / "report.html").as_uri()]
    options = ["-r", "80", "-f", "2", "-l", "2", "-png", "-singlefile"]
    sheet = ["pdftoppm", *options, str(delivered / "field-sheets.pdf")]
    for arguments in (page, [*sheet, str(pictures / "field-sheet")]):
        subprocess.run(arguments, check=True, capture_output=True)


def _read(name):
    return (REPOSITORY / name).read_text(encoding="utf-8")


# Standard output of a program that must end well; its errors are shown.
def _output(arguments, folder):
    # The same package as here, wherever the program is started.
    search = [str(Path(sitefinder.__file__).parents[1]), *filter(None, [os.environ.get("PYTHONPATH")])]
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join(search)}
    return subprocess.run(
        arguments, cwd=folder, env=environment, stdout=subprocess.PIPE, text=True, check=True
    ).stdout


if __name__ == "__main__":
    main()
