"""Refuse files too large for a repository, in `.pre-commit-config.yaml`; the largest public DEM has 2.8 MB.

python tests/tools/large_files.py FILE...
"""

import sys
from pathlib import Path

MAX_BYTES = 3_000_000


def main(names):
    """Print each file above the limit; gives the exit status."""
    sizes = {name: Path(name).stat().st_size for name in names if Path(name).is_file()}
    large = {name: size for name, size in sizes.items() if size > MAX_BYTES}
    for name, size in large.items():
        print(f"{name}: {size:,} bytes, above the limit of {MAX_BYTES:,}")
    return 1 if large else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
