"""``python -m daq``: the command line."""

import sys

from daq.app.cli import main

if __name__ == "__main__":
    sys.exit(main())
