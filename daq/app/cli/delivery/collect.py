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
    what.add_argument(
        "--audit",
        action="store_true",
        help="compare the audit heads of all results and name the first of each database that does not continue the "
        "trail; then end",
    )
    what.add_argument(
        "--forget-gap",
        metavar="NO",
        type=int,
        help="do not count the results of a gap as missing any more, by its number in --show, and end",
    )
    what.add_argument(
        "--bind",
        nargs=2,
        metavar=("SOURCE", "PREFIX"),
        help="believe the messages of a database under other topics than before, as after a change of a bench's "
        "topics; PREFIX ends in lab/v1; then end",
    )
    parser.add_argument("--json", action="store_true", help="with --show: print it as JSON")


def run(args: argparse.Namespace) -> int:
    """Collect until SIGTERM or Ctrl-C; with --show print the state: 1 where a result is missing or was refused.

    With --audit the code is 1 where a result does not continue the audit trail.
    """
    need("psycopg", "collecting")
    import daq.process.plainlogs  # noqa: F401 - before any module that logs
    from daq.collect.process import collect, collect_settings, collector_file, metrics_settings, retire
    from daq.process.logs import set_up_logs

    file = collector_file(args.config)
    settings = collect_settings(file, args.worker)
    if args.show:
        from daq.collect.overview import read_overview

        now = asyncio.run(read_overview(settings.postgres, settings.gaps.most_missing))
        return _show(now, as_json=args.json)
    if args.audit:
        from daq.collect.overview import read_audit_breaks

        return _audit(asyncio.run(read_audit_breaks(settings.postgres)), as_json=args.json)
    set_up_logs("info", "auto")
    if args.again:
        from daq.collect.decisions import retry_refused

        done, kept = asyncio.run(retry_refused(settings))
        print(f"{done} refused messages were taken, {kept} stay refused")
    elif args.forget_gap is not None:
        from daq.collect.decisions import forget

        stream, first, last = asyncio.run(forget(settings.postgres, args.forget_gap))
        print(f"{stream}: {first} to {last} are no longer missing")
    elif args.bind:
        from daq.collect.decisions import move

        asyncio.run(move(settings.postgres, *args.bind))
        print(f"{args.bind[0]} is bound to {args.bind[1]}; `daq collect --again` takes its refused messages")
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
    say(f"missing {now.missing}, refused {now.refused_count}, contradicting a stored one {now.conflict_count}")
    streams = sorted(now.streams, key=lambda s: (-s["missing"], s["prefix"] or "", s["stream"]))
    daemons = sorted(now.daemons, key=lambda d: (d["state"] == "online", d["prefix"]))
    parts: list[tuple[str, str, list[list[Any]]]] = [
        ("Daemons", "prefix|state|since|version|its results",
         [[d["prefix"], d["state"], _time(d["seen"]), d["version"], _bound(d)] for d in daemons]),
        ("Streams", "prefix|stream|epoch|announced|newest here|at|missing",
         [[s["prefix"], s["stream"], s["source"].rpartition("#")[2],
           f"{s['announced']}, not believed" if s["not_believed"] else s["announced"], s["here"],
           _time(s["newest"]), s["missing"]] for s in streams]),
        ("Missing, oldest first", "no|prefix|stream|from|to|since|asked|asked next",
         [[g["no"], g["prefix"], g["stream"], g["first"], g["last"], _time(g["seen"]), f"{g['asks']} times",
           _time(g["next_ask"])] for g in now.gaps]),
        ("Refused, newest first", "no|topic|times|last|reason",
         [[r["no"], r["topic"], r["times"], _time(r["last"]), r["reason"]] for r in now.refused]),
        ("Contradicting a stored one: a known id or sequence number", "source|stream|sequence|id|received",
         [[c["source"], c["stream"], c["sequence"], c["id"], _time(c["received"])] for c in now.conflicts]),
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
    return 1 if now.missing or now.refused_count or now.conflict_count or now.not_believed else 0


def _bound(daemon: dict[str, Any]) -> str | None:
    if daemon["bound"] in (None, daemon["prefix"]):
        return None
    return f"not believed: bound to {daemon['bound']}"


def _audit(breaks: list[dict[str, Any]], *, as_json: bool) -> int:
    from daq.app.cli.common import print_json
    from daq.app.cli.printing import print_table, say
    from daq.app.screens.text import plain
    from daq.quality.digits import NOTHING

    if as_json:
        plain_rows = [{k: v if isinstance(v, int) else str(v) for k, v in b.items()} for b in breaks]
        print_json({"audit_breaks": plain_rows})
    elif not breaks:
        say("the audit head of every result continues that of the result before it")
    else:
        say("the first result of each database that does not continue the audit trail:")
        keys = ("source", "stream", "sequence", "id", "reason")
        rows = [[NOTHING if b[k] is None else plain(str(b[k])) for k in keys] for b in breaks]
        print_table(list(keys), rows)
    return 1 if breaks else 0


def _time(moment: Any) -> str | None:
    return None if moment is None else moment.astimezone().strftime("%Y-%m-%d %H:%M:%S")
