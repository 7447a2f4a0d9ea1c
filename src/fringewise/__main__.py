"""``python -m fringewise`` is the command ``fringewise``."""

from fringewise.cli import main

if __name__ == "__main__":
    main()
