"""Write the measured times of tests from the output of pytest with `-v --durations=0 --durations-min=0.02`.

python -m tests.durations LOG...

Functions that no log has keep their times.
"""

import json
import sys
from pathlib import Path

from tests.support.cases import DURATIONS, durations
from tests.support.measured import function, measured

LEAST_S = 0.02
"""Times below it (s) are not kept."""

if __name__ == "__main__":
    found = measured([Path(name).read_text(errors="replace") for name in sys.argv[1:]])
    ran = {function(name) for name in found}
    kept = {name: taken for name, taken in durations().items() if function(name) not in ran}
    times = {name: taken for name, taken in sorted((kept | found).items()) if taken >= LEAST_S}
    DURATIONS.write_text(json.dumps(times, indent=0) + "\n")
    print(f"{DURATIONS}: {len(times)} functions and cases")
