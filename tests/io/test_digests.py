"""Facts of files are remembered while size and times stay, and never longer."""

import os
import time

import pytest

from sitefinder.io.digests import Memory, content_digest, remembered, remembering


class Finding:
    """Counts how often it is asked to read files."""

    def __init__(self, *files):
        self.files, self.count = list(files), 0

    def __call__(self):
        self.count += 1
        return [file.read_text(encoding="utf-8") for file in self.files]


@pytest.fixture
def file(tmp_path):
    """A file with one letter in it."""
    path = tmp_path / "file.txt"
    path.write_text("a", encoding="utf-8")
    return path


def test_a_file_that_did_not_change_is_read_once(file):
    memory, find = Memory(), Finding(file)

    with remembering(memory):
        notes = [remembered("text", [file], find) for _ in range(3)]
    with remembering(Memory(memory.known)):
        notes.append(remembered("text", [file], find))

    assert (notes, find.count) == ([["a"]] * 4, 1)


@pytest.mark.parametrize(
    "change",
    [
        lambda file: file.write_text("b", encoding="utf-8"),
        lambda file: file.write_text("bb", encoding="utf-8"),
        lambda file: os.utime(file, ns=(1, 1)),
        lambda file: (file.unlink(), file.write_text("b", encoding="utf-8")),
    ],
    ids=["content", "size", "time", "another file"],
)
def test_a_file_that_changed_is_read_again(file, change):
    find = Finding(file)
    with remembering(Memory()):
        remembered("text", [file], find)
        change(file)
        notes = remembered("text", [file], find)

    assert notes == [file.read_text(encoding="utf-8")]
    assert find.count == 2


def test_a_change_that_keeps_size_and_time_of_content_is_detected_too(file):
    # The time at which the owner's data changed cannot be set back by hand.
    find, state = Finding(file), file.stat()
    with remembering(Memory()):
        remembered("text", [file], find)
        file.write_text("b", encoding="utf-8")
        os.utime(file, ns=(state.st_atime_ns, state.st_mtime_ns))
        notes = remembered("text", [file], find)

    assert notes == ["b"]


def test_a_change_right_after_reading_is_never_missed(file):
    find = Finding(file)
    with remembering(Memory()):
        for letter in "bcdefghij":
            remembered("text", [file], find)
            file.write_text(letter, encoding="utf-8")

            assert remembered("text", [file], find) == [letter]


def test_a_file_that_changes_while_it_is_read_is_not_remembered(file):
    def find():
        notes = file.read_text(encoding="utf-8")
        file.write_text(notes + "b", encoding="utf-8")
        return notes

    with remembering(Memory()):
        assert [remembered("text", [file], find) for _ in range(2)] == ["a", "ab"]


def test_whole_seconds_are_not_trusted_right_after_a_change(file, monkeypatch):
    # A disk that records whole seconds: the file changed in this one, and may do so again.
    now = time.time_ns() // 1_000_000_000 * 1_000_000_000
    stat = type(file).stat
    monkeypatch.setattr(type(file), "stat", lambda path: _Whole(stat(path), now))
    find = Finding(file)

    with remembering(Memory()):
        for _ in range(2):
            remembered("text", [file], find)

    assert find.count == 2


class _Whole:
    def __init__(self, state, changed_ns):
        self.st_size, self.st_mtime_ns, self.st_ctime_ns = state.st_size, changed_ns, changed_ns


def test_a_file_more_or_less_is_another_question(file, tmp_path):
    other = tmp_path / "other.txt"
    other.write_text("o", encoding="utf-8")
    with remembering(Memory()):
        assert remembered("text", [file], Finding(file)) == ["a"]
        assert remembered("text", [file, other], Finding(file, other)) == ["a", "o"]
        other.unlink()
        assert remembered("text", [file], Finding(file)) == ["a"]


def test_files_that_a_fact_names_itself_count_too(file, tmp_path):
    part = tmp_path / "part.txt"
    part.write_text("p", encoding="utf-8")
    find = Finding(file, part)

    with remembering(Memory()):
        for letter in ("p", "q"):
            part.write_text(letter, encoding="utf-8")
            # It is known too late to be waited for, and would not be remembered so young.
            time.sleep(0.06)
            notes = [remembered("text", [file], find, also=lambda found: [part]) for _ in range(2)]
            assert notes == [["a", letter]] * 2

    assert find.count == 2


def test_without_recalling_all_is_read_again_and_cached_again(file):
    memory, find = Memory(recalls=False), Finding(file)

    with remembering(memory):
        for _ in range(2):
            remembered("text", [file], find)

    assert find.count == 2
    assert len(memory.known) == 1


@pytest.mark.parametrize("known", [None, [], {"x": 1}, "text"])
def test_a_memory_that_is_none_is_an_empty_one(file, known):
    with remembering(Memory(known)):
        assert remembered("text", [file], Finding(file)) == ["a"]


def test_a_memory_whose_entry_is_not_whole_asks_the_file(file):
    memory = Memory()
    with remembering(memory):
        remembered("text", [file], Finding(file))
    spoilt = {name: {"files": None} for name in memory.known}

    with remembering(Memory(spoilt)):
        assert remembered("text", [file], Finding(file)) == ["a"]


def test_digests_are_remembered(file, monkeypatch):
    with remembering(Memory()):
        first = content_digest(file)
        monkeypatch.setattr("sitefinder.io.digests._digest", None)

        assert content_digest(file) == first
