"""Write the measured times of tests from the output of pytest with `-v --durations=0 --durations-min=0.02`.

python -m tests.durations LOG...
"""

import json
import re
import sys
from collections import Counter
from pathlib import Path

from tests.support.cases import DURATIONS

TIMED = re.compile(r"^(\d+\.\d+)s (?:call|setup|teardown)\s+(tests/\S+?::[^\[\s]+)")
ENDED = re.compile(r"(?:PASSED|FAILED) (tests/\S+?::[^\[\s]+)")
LEAST_S = 0.02
"""Means below it (s) are not kept."""


def measured(logs: list[str]) -> dict[str, float]:
    """Return the mean time (s) of a case of each function that takes at least `LEAST_S`."""
    total: Counter[str] = Counter()
    cases: Counter[str] = Counter()
    for line in (line for log in logs for line in log.splitlines()):
        if timed := TIMED.match(line):
            total[timed[2]] += float(timed[1])
        elif ended := ENDED.search(line):
            cases[ended[1]] += 1
    means = {name: round(seconds / max(1, cases[name]), 2) for name, seconds in sorted(total.items())}
    return {name: mean for name, mean in means.items() if mean >= LEAST_S}


if __name__ == "__main__":
    found = measured([Path(name).read_text(errors="replace") for name in sys.argv[1:]])
    DURATIONS.write_text(json.dumps(found, indent=0) + "\n")
    print(f"{DURATIONS}: {len(found)} functions")
