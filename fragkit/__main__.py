"""`python -m fragkit` is the command `fragkit`."""

from fragkit.cli import main

if __name__ == "__main__":
    main()
