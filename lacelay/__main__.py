"""`python -m lacelay` is `lacelay`."""

from lacelay.cli import main

if __name__ == "__main__":
    main()
