"""``python -m oretally.io`` does what the command ``oretally`` does."""

from oretally.io.cli import main

if __name__ == "__main__":
    main()
