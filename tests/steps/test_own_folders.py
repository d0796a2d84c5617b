"""What is the user's in the folders of a run: refused by check and run alike, before anything is written."""

import pytest

from sitefinder.errors import InputError
from sitefinder.planning import plan
from sitefinder.preparation import check
from sitefinder.running import run, run_and_deliver


def files(folder):
    return {path.relative_to(folder): path.read_bytes() for path in sorted(folder.rglob("*")) if path.is_file()}


@pytest.fixture
def settings(write_valley, tmp_path):
    """A small valley, with folders for its store and for its files that hold what is the user's."""
    path = write_valley(tmp_path)
    text = path.read_text(encoding="utf-8")
    assert text.count("[run]\n") == 1
    path.write_text(text.replace("[run]\n", '[run]\nstore_folder = "mine"\n'), encoding="utf-8")
    for name in ("mine/drafts/letter.txt", "mine/results/2019.csv", "mine/lock", "out/sites.gpkg"):
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / name).write_text(f"{name} of the user", encoding="utf-8")
    return path


def test_check_and_run_refuse_folders_of_the_user_both_at_once_and_write_nothing(settings, tmp_path):
    before = files(tmp_path)

    problems = check(settings)
    with pytest.raises(InputError) as refused:
        run_and_deliver(settings)
    with pytest.raises(InputError, match="the folder for stored results holds something else"):
        plan(settings)

    assert len(problems) == len(refused.value.problems) == 2
    output, store = problems
    assert output.startswith("the output folder holds files that sitefinder did not deliver\n")
    assert store.startswith("the folder for stored results holds something else\n")
    assert all("  fix: " in problem for problem in problems)
    assert files(tmp_path) == before


def test_problems_of_inputs_are_listed_with_those_of_folders(settings, tmp_path):
    (tmp_path / "dem.tif").unlink()

    problems = check(settings)

    assert len(problems) == 3
    assert "dem.tif" in problems[0]


@pytest.mark.slow
def test_doing_what_the_fixes_say_makes_the_run_pass_and_leaves_the_users_files(settings, tmp_path):
    before = files(tmp_path)
    text = settings.read_text(encoding="utf-8")
    changed = text.replace('"mine"', '"store"')
    if 'output_folder = "out"' in changed:
        changed = changed.replace('output_folder = "out"', 'output_folder = "delivered"')
    else:
        changed = changed.replace("[run]\n", '[run]\noutput_folder = "delivered"\n')
    settings.write_text(changed, encoding="utf-8")

    assert check(settings) == []
    for _ in range(2):
        run_and_deliver(settings)

    after = files(tmp_path)
    del before[settings.relative_to(tmp_path)]
    assert {path: after[path] for path in before} == before
    assert (tmp_path / "delivered" / "sites.gpkg").exists()


def test_a_run_from_python_refuses_an_output_folder_of_the_user_too(settings, tmp_path):
    (tmp_path / "letters").mkdir()
    (tmp_path / "letters" / "letter.txt").write_text("of the user", encoding="utf-8")

    with pytest.raises(InputError, match=r"found: +letter\.txt"):
        run(settings, tmp_path / "letters")

    assert [path.name for path in (tmp_path / "letters").iterdir()] == ["letter.txt"]
