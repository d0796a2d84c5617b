"""The log as JSON lines: one object for each start and end, of stages and of their parts."""

import datetime
import json
import logging

import pytest
from small_valley import write_valley

from sitefinder.errors import InputError
from sitefinder.pipeline.executors import LOGGER, log_finished, log_kept, log_started
from sitefinder.pipeline.json_log import logged_to
from sitefinder.running import run


@pytest.fixture
def path(tmp_path):
    return tmp_path / "run.jsonl"


def lines(path):
    return [json.loads(line) for line in path.read_text(encoding="utf-8").splitlines()]


def test_a_line_holds_time_in_utc_level_stage_part_seconds_and_memory(path):
    before = datetime.datetime.now(datetime.UTC)

    with logged_to(path, "run a.toml"):
        log_started("terrain")
        log_finished("terrain", "tile at row 0, column 512", 0.123456, 1e9)
        log_kept("heads")

    begun, started, tile, kept, ended = lines(path)
    assert (begun["event"], begun["message"]) == ("started", "run a.toml: started")
    assert started.items() >= {"event": "started", "stage": "terrain", "level": "INFO"}.items()
    assert "part" not in started
    assert "seconds" not in started
    expected = {"part": "tile at row 0, column 512", "seconds": 0.123, "memory_mb": 1e9}
    assert tile.items() >= expected.items()
    assert tile["message"] == "terrain: tile at row 0, column 512: finished in 0.12 s"
    assert (kept["event"], kept["stage"]) == ("kept", "heads")
    assert ended["event"] == "finished"
    assert ended["memory_mb"] > 10
    time = datetime.datetime.fromisoformat(tile["time"])
    assert time.utcoffset() == datetime.timedelta(0)
    assert before - datetime.timedelta(seconds=1) <= time <= datetime.datetime.now(datetime.UTC)


def test_a_failure_is_the_last_line_and_the_next_run_goes_on_below(path):
    with pytest.raises(InputError, match="no stream"), logged_to(path, "run a.toml"):
        raise InputError.of("no stream", file="streams.gpkg")
    with logged_to(path, "run b.toml"):
        pass

    failed = lines(path)[1]
    assert (failed["level"], failed["event"]) == ("ERROR", "failed")
    assert failed["message"] == "run a.toml: no stream\n  file:  streams.gpkg"
    assert [line["message"] for line in lines(path)[2:]] == ["run b.toml: started", "run b.toml: finished"]


def test_afterwards_nothing_is_logged_and_the_logger_is_as_before(path):
    before = (LOGGER.level, list(LOGGER.handlers))

    with logged_to(path, "run"):
        assert LOGGER.isEnabledFor(logging.INFO)

    log_started("heads")
    assert (LOGGER.level, list(LOGGER.handlers)) == before
    assert len(lines(path)) == 2


def test_a_log_in_a_folder_that_is_not_there_is_refused_before_anything_is_run(tmp_path):
    with (
        pytest.raises(InputError, match=r"the log cannot be written\n.*\n.*\n.*No such file"),
        logged_to(tmp_path / "none" / "run.jsonl", "run"),
    ):
        pytest.fail("was run")


def test_a_run_logs_the_start_and_the_end_of_its_stages_tiles_and_systems(path, tmp_path):
    settings = write_valley(tmp_path)

    with logged_to(path, "run"):
        run(settings)

    found = lines(path)
    ends = {line["stage"] for line in found if line["event"] == "finished" and "stage" in line}
    assert ends >= {"network", "terrain", "heads", "flows", "sites"}
    parts = {line["stage"]: line["part"] for line in found if "part" in line}
    assert parts["terrain"] == "tile at row 0, column 0"
    assert "feature" in parts["sites"] or "Plain" in parts["sites"]
    assert all(line["seconds"] >= 0 and line["memory_mb"] > 10 for line in found if "seconds" in line)
