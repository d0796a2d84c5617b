"""Files that are whole or not there: written aside, synced, and put in place in one step."""

import contextlib
import hashlib
import json
import os
import shutil
import tempfile
from pathlib import Path

CHUNK_BYTES = 1 << 20


def write_whole(path, data):
    """Put bytes in place of a file in one step.

    Parameters
    ----------
    path : Path
    data : bytes
    """
    path = Path(path)
    descriptor, draft = tempfile.mkstemp(prefix=f".{path.name}-", dir=path.parent)
    try:
        with os.fdopen(descriptor, "wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        os.replace(draft, path)
    except BaseException:
        Path(draft).unlink(missing_ok=True)
        raise
    sync_folder(path.parent)


def write_json(path, value):
    """Put a value in place of a JSON file in one step."""
    write_whole(path, json.dumps(value, indent=1, ensure_ascii=False).encode())


def read_json(path):
    """A value from a JSON file, or None where there is none that can be read."""
    try:
        return json.loads(Path(path).read_bytes())
    except (OSError, ValueError):
        return None


def move_whole(draft, final):
    """Move a folder that is complete to its name, durably. Nothing may stand there."""
    sync_folder(draft)
    os.replace(draft, final)
    sync_folder(Path(final).parent)


def link_or_copy(source, target):
    """The same content under a second name: linked where the disk can do that, else copied; synced."""
    try:
        os.link(source, target)
    except OSError:
        shutil.copyfile(source, target)
    descriptor = os.open(target, os.O_RDONLY)
    try:
        # A disk that syncs only what it may write says so; the content was written by another hand then.
        with contextlib.suppress(OSError):
            os.fsync(descriptor)
    finally:
        os.close(descriptor)


def sync_folder(folder):
    """Make the disk hold the names in a folder. Windows cannot do that and needs no such thing."""
    if os.name == "nt":
        return
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def digest_of_stream(file):
    """SHA-256 of what is left to read of an open file, hexadecimal."""
    digest = hashlib.sha256()
    while chunk := file.read(CHUNK_BYTES):
        digest.update(chunk)
    return digest.hexdigest()
