"""The browser that tests open pages in, without a screen."""

import shutil

import pytest

# Chromium without its windows where that is installed: the whole program also draws its own buttons, which nobody
# sees, in processes of their own for each page. Tests of pages took twice the processor time with it.
CHROMIUM = shutil.which("chromium-headless-shell") or shutil.which("chromium")
needs_chromium = pytest.mark.skipif(
    CHROMIUM is None, reason="needs the program chromium-headless-shell or chromium; .ci/run installs one"
)
ARGUMENTS = ("--no-sandbox", "--disable-gpu", "--disable-background-networking")


def started(playwright):
    """The browser, started by a `playwright.sync_api.Playwright`; whoever starts it closes it."""
    return playwright.chromium.launch(executable_path=CHROMIUM, args=list(ARGUMENTS))
