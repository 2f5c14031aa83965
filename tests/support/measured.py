"""Times of tests from the output of pytest with `-v --durations=0 --durations-min=0.02`."""

import re
from collections import Counter

from tests.support.cases import QUICK_CASE_S

TIMED = re.compile(r"^(\d+\.\d+)s (call|setup|teardown)\s+(tests/\S+?::.+?)\s*$")
ENDED = re.compile(r"(?:PASSED|FAILED) (tests/\S+?::.+?)\s*$")


def function(case: str) -> str:
    """Return the id of the function of a case."""
    return case.partition("[")[0]


def measured(logs: list[str]) -> dict[str, float]:
    """Return times (s): the mean of a case of each function, and that of each case that is much longer than the others.

    A case has a time of its own if it is too long for the quick tests and the mean of its function is not.  The mean is
    that of the other cases then.
    """
    calls: Counter[str] = Counter()
    around: Counter[str] = Counter()
    for line in (line for log in logs for line in log.splitlines()):
        if timed := TIMED.match(line):
            calls[timed[3]] += float(timed[1]) * (timed[2] == "call")
            around[function(timed[3])] += float(timed[1]) * (timed[2] != "call")
        elif ended := ENDED.search(line):
            calls[ended[1]] += 0.0
    cases: dict[str, dict[str, float]] = {}
    for case, seconds in calls.items():
        cases.setdefault(function(case), {})[case] = seconds
    found = {}
    for name, times in sorted(cases.items()):
        usual = [seconds for seconds in times.values() if seconds <= QUICK_CASE_S]
        if len(usual) > len(times) / 2:
            found |= {case: round(seconds, 2) for case, seconds in sorted(times.items()) if seconds > QUICK_CASE_S}
        else:
            usual = [*times.values()]
        # A fixture of several cases takes its time in the first of them that runs, whichever that is.
        found[name] = round((sum(usual) + around[name]) / len(usual), 2)
    return found
