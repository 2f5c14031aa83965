"""`daq collect`: results of many daemons from the broker into PostgreSQL."""

import argparse
import asyncio
from typing import TYPE_CHECKING, Any

from daq.process.extras import need

if TYPE_CHECKING:
    from daq.collect.overview import Overview

MOST_SHOWN: int = 50
"""Greatest number of rows of a table; those that need attention come first."""


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.add_argument(
        "--worker", metavar="NAME", help="name of this worker in its group (otherwise the machine's name)"
    )
    what = parser.add_mutually_exclusive_group()
    what.add_argument("--show", action="store_true", help="show daemons, what is missing, what was refused; then end")
    what.add_argument(
        "--retire",
        action="store_true",
        help="take what the broker still keeps for this worker, let the broker forget it, and end",
    )
    what.add_argument(
        "--again", action="store_true", help="try the refused messages again, as after an update, and end"
    )
    parser.add_argument("--json", action="store_true", help="with --show: print it as JSON")


def run(args: argparse.Namespace) -> int:
    """Collect until SIGTERM or Ctrl-C; with --show print the state: 1 where a result is missing or was refused."""
    need("psycopg", "collecting")
    from daq.collect.process import collect, collect_settings, collector_file, metrics_settings, retire
    from daq.process.logs import set_up_logs

    file = collector_file(args.config)
    settings = collect_settings(file, args.worker)
    if args.show:
        from daq.collect.overview import read_overview

        return _show(asyncio.run(read_overview(settings.postgres)), as_json=args.json)
    set_up_logs("info", "auto")
    if args.again:
        from daq.collect.retrying import retry_refused

        done, kept = asyncio.run(retry_refused(settings))
        print(f"{done} refused messages were taken, {kept} stay refused")
    elif args.retire:
        taken = asyncio.run(retire(settings))
        print(f"{settings.worker}: {taken} results taken, the broker keeps nothing more for it")
    else:
        asyncio.run(collect(settings, metrics_settings(file, settings.worker)))
    return 0


def _show(now: "Overview", *, as_json: bool) -> int:
    from daq.app.cli.common import print_json
    from daq.app.cli.printing import print_table, say
    from daq.app.screens.text import plain, span
    from daq.quality.digits import NOTHING

    if as_json:
        print_json(now.as_json())
        return _code(now)
    delay = "" if now.delay_s is None else f"; half of the last hour's within {span(max(0.0, now.delay_s))}"
    say(f"about {now.results} results{delay}")
    say(f"missing {now.missing}, refused {now.refused_count}, with other content under a known id {now.conflict_count}")
    streams = sorted(now.streams, key=lambda s: (-s["missing"], s["prefix"], s["stream"]))
    daemons = sorted(now.daemons, key=lambda d: (d["state"] == "online", d["prefix"]))
    parts: list[tuple[str, str, list[list[Any]]]] = [
        ("Daemons", "prefix|state|since|version",
         [[d["prefix"], d["state"], _time(d["seen"]), d["version"]] for d in daemons]),
        ("Streams", "prefix|stream|epoch|announced|newest here|at|missing",
         [[s["prefix"], s["stream"], s["source"].rpartition("#")[2], s["announced"] or None, s["here"],
           _time(s["newest"]), s["missing"]] for s in streams]),
        ("Missing, oldest first", "prefix|stream|from|to|since|asked|asked next",
         [[g["prefix"], g["stream"], g["first"], g["last"], _time(g["seen"]), f"{g['asks']} times",
           _time(g["next_ask"])] for g in now.gaps]),
        ("Refused, newest first", "no|topic|times|last|reason",
         [[r["no"], r["topic"], r["times"], _time(r["last"]), r["reason"]] for r in now.refused]),
        ("Other content under a known id", "source|id|received",
         [[c["source"], c["id"], _time(c["received"])] for c in now.conflicts]),
        ("Workers", "group|worker|machine|last sign|watches|taken|duplicates|trouble",
         [[w["group"], w["worker"], w["host"], f"{span(max(0.0, w['silent_s']))} ago", "yes" if w["watches"] else "no",
           w["taken"], w["duplicates"], w["trouble"]] for w in now.workers]),
    ]  # fmt: skip
    for title, head, rows in parts:
        if rows:
            print(f"\n{title}")
            shown = [[NOTHING if cell is None else plain(cell) for cell in row] for row in rows[:MOST_SHOWN]]
            print_table(head.split("|"), shown)
        if len(rows) > MOST_SHOWN:
            print(f"and {len(rows) - MOST_SHOWN} more, which --json lists")
    return _code(now)


def _code(now: "Overview") -> int:
    return 1 if now.missing or now.refused_count or now.conflict_count else 0


def _time(moment: Any) -> str | None:
    return None if moment is None else moment.astimezone().strftime("%Y-%m-%d %H:%M:%S")
