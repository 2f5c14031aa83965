"""``daq health INSTRUMENT``: state of motor, bearing and line, from the runs that exist."""

import argparse
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from daq.adapters.paths import config_dir
from daq.app.cli.common import count_of, open_reader, print_json
from daq.app.cli.printing import print_table, say
from daq.app.records.health_history import Figures, Health, health
from daq.app.screens.text import fixed, local_time, plain, sentence, utc_iso
from daq.app.setup.catalogue import Catalogue
from daq.core.encoding import encode
from daq.quality.digits import SHOWN_ID

if TYPE_CHECKING:
    from daq.core.driver import Driver

NAMES = {"zero": "torque at rest", "ripple": "ripple once a revolution", "return_to_zero": "left after swinging free"}
UNITS = {"zero": "% of full scale", "ripple": "% of the reading", "return_to_zero": "% of full scale"}


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.add_argument("instrument", metavar="INSTRUMENT")
    parser.add_argument("--runs", type=count_of, default=20, metavar="N", help="use the newest N runs (20)")
    parser.add_argument("--json", action="store_true", help="print it as JSON")


def run(args: argparse.Namespace) -> int:
    """Print the figures of each run, their trends, and every figure that is beyond its limit."""
    catalogue = Catalogue.load(config_dir(args.config), "instruments")

    def make(kind: str, options: Mapping[str, Any], state: Mapping[str, Any]) -> "Driver":
        from daq.app.records.replaying import maker  # most figures are stored, and nothing is replayed

        return maker(catalogue.drivers)(kind, options, state)

    instrument = catalogue.instrument(args.instrument)
    with open_reader(args) as reader:
        found = health(reader, instrument.name, instrument.health, make, count=args.runs)
    if args.json:
        print_json(_as_json(found))
        return 0
    if not found.runs:
        say(f"{plain(instrument.name)}: no run has ended yet")
        return 0
    if any(figures.geometry for _, figures in found.runs):
        _print_rotational(found)
    else:
        _print_motorless(found, instrument.name)
    print()
    for finding in found.findings or ("nothing is beyond its limit",):
        say(sentence(finding))
    return 0


def _print_motorless(found: Health, name: str) -> None:
    rows = [
        [record.id[:SHOWN_ID], local_time(record.began_utc_ns), plain(record.sample), *_line_cells(figures)]
        for record, figures in found.runs
    ]
    print_table(["run", "started", "sample", "readings", "lost"], rows, right=frozenset({3, 4}))
    print()
    say(f"{plain(name)} has no motor: there are figures of its line only, none of torque at rest, ripple or return.")
    say("To verify its values, measure a known quantity, such as a certified weight, a buffer or a fixed point.")


def _line_cells(figures: Figures) -> list[str]:
    return [str(figures.readings), str(figures.amiss)]


def _print_rotational(found: Health) -> None:
    rows = [
        [
            record.id[:SHOWN_ID],
            local_time(record.began_utc_ns),
            plain(record.sample),
            plain(figures.geometry or ""),
            fixed(figures.zero, 2),
            fixed(figures.ripple, 2),
            fixed(figures.return_to_zero, 2) + ("" if figures.free or figures.return_to_zero is None else " *"),
            *_line_cells(figures),
        ]
        for record, figures in found.runs
    ]
    head = ["run", "started", "sample", "geometry", "at rest, % FS", "ripple, %", "return, % FS", "readings", "lost"]
    print_table(head, rows, right=frozenset({4, 5, 6, 7, 8}))
    if any(figures.return_to_zero is not None and not figures.free for _, figures in found.runs):
        say("* with a sample, which may hold a torque at rest; only a free swing shows the state of the bearing")
    print()
    for name, one in found.trends.items():
        say(
            f"{NAMES[name]}: {one.latest:+.2f} {UNITS[name]} (median of the last {min(3, one.n)}), "
            f"change over {one.n} runs {one.change:+.2f}"
        )


def _as_json(found: Health) -> dict[str, Any]:
    return {
        "runs": [
            {"run": record.id, "began": utc_iso(record.began_utc_ns), **encode(figures)}
            for record, figures in found.runs
        ],
        "trends": {
            name: {"n": t.n, "latest": t.latest, "change": t.change, "beyond_limit": t.beyond}
            for name, t in found.trends.items()
        },
        "findings": list(found.findings),
    }
