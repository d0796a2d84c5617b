"""``python -m sitefinder`` is the ``sitefinder`` command."""

from sitefinder.cli import main

if __name__ == "__main__":
    main()
