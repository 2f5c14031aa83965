"""Mutate every built-in description at every key: ``python -m tests.campaigns.mutants [--only NAME ...] [--every 1]``.

A mutant is killed by the check of the file or by the conformance kit with a capture and notes of the display. The
command prints the share that is killed and every survivor with its reason; a survivor without a reason gives exit code 1.
"""

import argparse
import copy
import sys
from collections import Counter
from collections.abc import Sequence
from typing import Any

from daq.core.errors import SettingError
from daq.descriptions.load import check_description
from tests.campaigns.mutants.changes import mutants, reason
from tests.campaigns.mutants.judge import killed_by, noted_capture
from tests.support.instruments.built_in import BUILT_IN
from tests.support.instruments.driver_cases import CASES

DESCRIBED = {case[0]: case for case in reversed(CASES) if case[0] in BUILT_IN}


def main(given: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.campaigns.mutants", description=__doc__)
    parser.add_argument("--only", nargs="+", choices=sorted(DESCRIBED), default=sorted(DESCRIBED), help="drivers (all)")
    parser.add_argument("--every", type=int, default=1, help="only every n-th mutant (1)")
    args = parser.parse_args(given)
    total: Counter[str] = Counter()
    unexplained = 0
    for name in args.only:
        killed, survivors = judged(name, args.every)
        total += Counter(killed=killed, survived=len(survivors))
        print(f"{name}: {killed} of {killed + len(survivors)} killed", flush=True)
        for key, what in survivors:
            why = reason(key)
            unexplained += not why
            print(f"  survives: {key} = {what}: {why or 'NO REASON'}")
    share = 100.0 * total["killed"] / max(1, sum(total.values()))
    print(
        f"{total['killed']} of {sum(total.values())} mutants killed ({share:.0f} %), {unexplained} survivors without a reason"
    )
    return 1 if unexplained else 0


def judged(name: str, every: int = 1) -> tuple[int, list[tuple[str, str]]]:
    """Return the number of killed mutants of a description, and key and change of each survivor."""
    driver, options, kind, given = DESCRIBED[name]
    raw = copy.deepcopy(dict(BUILT_IN[driver].raw))
    capture = noted_capture(driver, options, kind, given)
    # The time at which a simulated answer arrives in a stream is none of a real line.
    always = killed_by(raw, options, capture)
    if always - {"times"}:
        raise AssertionError(f"{name}: the description itself fails: {always}")
    killed, survivors = 0, []
    for number, (key, what, tables) in enumerate(mutants(raw)):
        if number % every or same_meaning(tables, raw):
            continue
        if killed_by(tables, options, capture) - always:
            killed += 1
        else:
            survivors.append((key, what))
    return killed, survivors


def same_meaning(tables: dict[str, Any], raw: dict[str, Any]) -> bool:
    """Return True where a mutant is the same description: a key has its default."""
    try:
        return check_description(tables).tables == check_description(raw).tables
    except SettingError:
        return False


if __name__ == "__main__":
    sys.exit(main())
