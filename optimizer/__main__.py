"""``python -m optimizer`` is the same as ``shimopt``."""

from optimizer.cli import main

if __name__ == "__main__":
    main()
