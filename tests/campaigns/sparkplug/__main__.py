"""Command of the campaign: ``python -m tests.campaigns.sparkplug [--kills 20] [--results 2000] [--seed 1]``."""

import sys

from tests.campaigns.sparkplug.harness import main

if __name__ == "__main__":
    sys.exit(main())
