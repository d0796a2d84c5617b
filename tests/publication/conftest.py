"""Public editions of the small valley with secret layers, made once for all tests of a session."""

import os
import re
import shutil
from typing import NamedTuple

import pytest
import secret_valley
from known_files import know_files

from sitefinder.io.settings_files import read_settings
from sitefinder.preparation import store_folder
from sitefinder.publication.publishing import publish
from sitefinder.running import run_and_deliver


class Editions(NamedTuple):
    """Runs and their public editions: of the first places of the secret features, and of those that were moved.

    ``settings`` are settings files, ``editions`` folders, ``summaries`` what publishers were shown; equally many.
    """

    settings: list
    editions: list
    summaries: list


@pytest.fixture(scope="session")
def editions(made_once, tmp_path_factory):
    """The valley and its edition, with the nest and the refuge at each of three places in their cells."""

    def made(folder):
        found = Editions([], [], [])
        for number, places in enumerate([secret_valley.FIRST, *secret_valley.MOVED]):
            home = folder / f"home-{number}"
            if number == 0:
                home.mkdir()
                settings = secret_valley.write_secret_valley(home, places, files=secret_valley.ALL_FILES)
                run_and_deliver(settings)
                # Before its edition is made: what an edition adds to the store, each of the others makes itself.
                shutil.copytree(home, folder / "unpublished")
            else:
                # What looks at no secret layer is in the store already, as it is for the edition of each.
                shutil.copytree(folder / "unpublished", home)
                secret_valley.write_secrets(home, places)
                settings = home / "run.toml"
                run_and_deliver(settings)
            # By the settings file, by the output folder and by the GeoPackage.
            given = (settings, home / "out", home / "out" / "sites.gpkg")[number]
            edition = folder / f"edition-{number}"
            found.summaries.append(publish(given, edition).summary)
            found.settings.append(settings)
            found.editions.append(edition)
        return found

    found = made_once("public-editions", made)
    # Tests run and publish variants of the first: each process with a store of its own.
    first = found.settings[0]
    own = shutil.copytree(first.parent, tmp_path_factory.mktemp("public") / first.parent.name) / first.name
    know_files(own, store_folder(read_settings(own)))
    return found._replace(settings=[own, *found.settings[1:]])


@pytest.fixture
def variant(editions):
    """A function that gives settings like the first valley's with some texts replaced, beside the same results.

    Only the GeoPackage is asked for: other files take most of the time.
    """
    written = []

    def write(*replaced):
        home = editions.settings[0]
        text = home.read_text(encoding="utf-8")
        for old, new in replaced:
            assert old in text, old
            text = text.replace(old, new)
        for name in secret_valley.ALL_FILES.split():
            text = re.sub(
                rf"^{name} = (true|1)$", f"{name} = {'0' if name == 'field_sheets' else 'false'}", text, flags=re.M
            )
        path = home.with_name(f"variant-{os.getpid()}-{len(written)}.toml")
        path.write_text(text, encoding="utf-8")
        written.append(path)
        return path

    yield write
    for path in written:
        path.unlink()
