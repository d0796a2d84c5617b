"""The report page of a large region: its size, the time that it takes to open and to draw, and how its map moves.

Run as ``python tests/benchmarks/large_page.py``, alone on the machine; it needs the program chromium. The region
is made up: ``--sites`` and ``--reaches`` say how large. Beside elapsed time, which other programs on the machine
lengthen, stands the processor time of all processes of the browser; a page of 12 sites and 60 reaches is measured
in the same run for comparison.
"""

import argparse
import importlib.util
import shutil
import statistics
import sys
import tempfile
import time
from pathlib import Path

import psutil
from playwright.sync_api import sync_playwright

from sitefinder.report.page import page_html

REPOSITORY = Path(__file__).resolve().parents[2]
SMALL = 12, 60
WINDOW = {"width": 1400, "height": 1000}
TIMES, MOVES = 3, 60
COLUMNS = "{:<26} {:>9} {:>16} {:>18} {:>18} {:>13}"
FRAMES = """() => {
    window.frames_ms = [];
    let before = performance.now();
    const follow = (now) => { window.frames_ms.push(now - before); before = now; requestAnimationFrame(follow); };
    requestAnimationFrame(follow);
}"""
DRAWN = "() => new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done)))"


def made_page(sites, reaches):
    """The page of a made-up region, as text, and the processor seconds that it took to make."""
    place = REPOSITORY / "tests" / "report" / "page" / "conftest.py"
    spec = importlib.util.spec_from_file_location("made_pages", place)
    made = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(made)
    handover = made.make_handover(sites, reaches)
    began = time.process_time()
    return page_html(handover), time.process_time() - began


def processor_seconds(browser):
    """User and system seconds of the browser and all processes that it started."""
    total = 0.0
    for one in [browser, *browser.children(recursive=True)]:
        try:
            times = one.cpu_times()
        except psutil.NoSuchProcess:
            continue
        total += times.user + times.system
    return total


def opened(playwright, path):
    """Elapsed and processor seconds until a page is ready and its map is drawn, and its frames in a pan [ms]."""
    chromium = playwright.chromium.launch(
        executable_path=shutil.which("chromium"), args=["--no-sandbox", "--disable-gpu"]
    )
    browser = max(psutil.Process().children(recursive=True), key=lambda one: len(one.children()))
    page = chromium.new_page(viewport=WINDOW)
    cpu, began = processor_seconds(browser), time.perf_counter()
    page.goto(path.as_uri())
    page.wait_for_selector("html[data-ready=yes]", state="attached", timeout=300_000)
    ready = time.perf_counter() - began, processor_seconds(browser) - cpu
    page.evaluate(DRAWN)
    drawn = time.perf_counter() - began, processor_seconds(browser) - cpu
    page.click("#zoom-in")
    page.evaluate(DRAWN)
    box = page.locator("#plot-map").bounding_box()
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    page.mouse.move(x, y)
    page.mouse.down()
    page.evaluate(FRAMES)
    for move in range(MOVES):
        page.mouse.move(x - 2 * move, y - move)
        page.wait_for_timeout(10)
    frames = page.evaluate("frames_ms")
    page.mouse.up()
    chromium.close()
    return *ready, *drawn, statistics.median(frames)


def main():
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--sites", type=int, default=5000)
    parser.add_argument("--reaches", type=int, default=50_000)
    parser.add_argument("--times", type=int, default=TIMES, help="openings of each page; their median is printed")
    parser.add_argument(
        "--page", type=Path, action="append", default=[], help="also this page of a run; repeatable"
    )
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch, sync_playwright() as playwright:
        pages = [(path.name, path.resolve()) for path in options.page]
        for sites, reaches in (SMALL, (options.sites, options.reaches)):
            text, seconds = made_page(sites, reaches)
            path = Path(scratch) / f"page-{sites}.html"
            path.write_text(text, encoding="utf-8", newline="\n")
            pages.append((f"{sites:,} sites, {reaches:,} reaches", path))
            print(
                f"{sites:,} sites, {reaches:,} reaches: made in {seconds:.1f} s of processor time", file=sys.stderr
            )
        print("Medians; seconds elapsed, and in brackets of the processor.")
        print(
            COLUMNS.format("page", "size [MB]", "ready [s]", "map drawn [s]", "frame of a pan [ms]", "").rstrip()
        )
        for name, path in pages:
            found = [opened(playwright, path) for _ in range(options.times)]
            ready, ready_cpu, drawn, drawn_cpu, frame = map(statistics.median, zip(*found, strict=True))
            size = path.stat().st_size / 1e6
            cells = (
                name,
                f"{size:.2f}",
                f"{ready:.2f} ({ready_cpu:.2f})",
                f"{drawn:.2f} ({drawn_cpu:.2f})",
                f"{frame:.0f}",
            )
            print(COLUMNS.format(*cells, "").rstrip())


if __name__ == "__main__":
    main()
