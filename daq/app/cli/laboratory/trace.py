"""`daq trace`: from a report's file or number back to raw bytes, people, limits and verifications."""

import argparse
import hashlib
from pathlib import Path
from typing import Any, Final

from daq.app.cli.common import archives_argument, open_reader, print_json
from daq.app.cli.printing import say
from daq.app.laboratory.reporting.tracing import Traced, report_of_file, trace_given
from daq.app.laboratory.signing.report_subjects import report_named
from daq.app.screens.text import plain, sentence, spaced
from daq.app.screens.verification_text import controlled_words
from daq.quality.digits import NOTHING, SHOWN_ID, as_set
from daq.textfiles.plain_file import read_plain

EXIT_WITHDRAWN: Final = 10
EXIT_ELSEWHERE: Final = 11
EXIT_DISAGREES: Final = 13
NOT_HERE: Final = "NOT IN THIS ARCHIVE: "
LARGEST_FILE: Final = 50_000_000
EXAMPLES: Final = """\
examples:
  daq trace G-1042.pdf
  daq trace 3F2A-91BC-07DE        the number on the page, or the text of its QR code
  daq trace G-1042.pdf --archive daq-1a2b3c4d-0007.archive --archive daq-1a2b3c4d-0008.archive

exit codes: 0 the database has the same, 10 withdrawn, superseded, rejected or in doubt,
11 the archives do not have all of its runs, 13 stored data do not agree
"""


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.epilog = EXAMPLES
    parser.add_argument("report", metavar="FILE|NUMBER", help="file of a report, or its number")
    parser.add_argument("--json", action="store_true", help="print all of it as JSON")
    archives_argument(parser)


def run(args: argparse.Namespace) -> int:
    """Print everything behind the report."""
    path = Path(args.report).expanduser()
    with open_reader(args) as reader:
        if path.is_file():
            digest = hashlib.sha256(read_plain(path, LARGEST_FILE, what="a report")).hexdigest()
            found = trace_given(reader, lambda r: report_of_file(r, digest))
        else:
            found = trace_given(reader, lambda r: report_named(r, args.report))
    if args.json:
        print_json(found.as_json())
    else:
        for text, lead in lines_of(found):
            say(text, lead)
    if found.disagreements:
        return EXIT_DISAGREES
    if found.report.state == "withdrawn" or found.is_superseded or found.objections:
        return EXIT_WITHDRAWN
    return EXIT_ELSEWHERE if found.elsewhere else 0


def lines_of(found: Traced) -> list[tuple[str, str]]:
    """Return all of it in lines, each with the text before it."""
    from daq.adapters.store.archiving.checking import NO_DIGEST

    about = found.about
    out = [(f"DO NOT USE: stored data do not agree: {plain(text)}", "") for text in found.disagreements]
    if about["withdrawn"]:
        w = about["withdrawn"]
        out.append((f"WITHDRAWN on {w['at']} by {plain(w['who'])}: {plain(w['because'])}", ""))
    elif found.is_superseded:
        out.append(("SUPERSEDED: a result on it was corrected since", ""))
    out += [(sentence(s), "RELEASE BLOCKED: ") for s in found.objections]
    out += [
        (f"result {s.result} of run {s.run}: give the archive that has this run, too (--archive FILE)", NOT_HERE)
        for s in found.elsewhere
    ]
    out += [(f"{plain(name)} {NO_DIGEST}", "NOT KNOWN TO BE COMPLETE: ") for name in found.without_digest]
    out.append((f"{plain(about['title'])}, number {about['number']}", ""))
    simulated = ", SIMULATED" if about["simulated"] else ""
    out.append((f"made on {about['made']['at']} by {plain(about['made']['who'])}{simulated}", "  "))
    out += [(digest, "  file ") for digest in about["files"]]
    out += [(_signature(s), "  signature: ") for s in about["signatures"]]
    out += [(spaced(about["release"]), "  release: ")] if about["release"] else []
    for result in found.results:
        out += _result(result)
    return out


def _signature(s: dict[str, Any]) -> str:
    named = f" ({plain(s['name'])})" if s["name"] else ""
    because = f"; because {plain(s['because'])}" if s["because"] else ""
    gone = s["withdrawn"]
    end = f"; WITHDRAWN on {gone['at']} by {plain(gone['who'])}: {plain(gone['because'])}" if gone else ""
    return f"{s['meaning']} by {plain(s['by'])}{named}, {plain(s['signed_at'])}{because}{end}"


def _result(r: dict[str, Any]) -> list[tuple[str, str]]:
    out = [("", ""), (f"result {r['result']} of run {r['run']}, sample {plain(r['sample'])}", "")]
    verdict = f", {spaced(r['verdict'])}" if r["verdict"] not in (None, "none") else ""
    out.append((f"{r['value'] or NOTHING}, {spaced(r['validity'] or NOTHING)}{verdict}", "  "))
    if r["superseded_by"]:
        out.append((r["superseded_by"], "  SUPERSEDED by "))
    out += [(sentence(s), "  RELEASE BLOCKED: ") for s in r["blocked"]]
    out += [(spaced(r["release"]), "  release: ")] if r["release"] else []
    out.append((f"entry {r['audit']['number']}, {r['audit']['head']}", "  audit trail: "))
    raw = r["raw"]
    damaged = f", DAMAGED: {plain(raw['trouble'])}" if raw["trouble"] else ""
    out.append((f"{raw['bytes']} bytes, digest {raw['digest']}{damaged}", "  raw bytes: "))
    out += [(f"{p['at']} {spaced(p['what'])} by {plain(p['who'])} (entry {p['entry']})", "  ") for p in r["people"]]
    out.append((f"{plain(r['operator'] or NOTHING)} ({spaced(r['attribution'] or NOTHING)})", "  operator: "))
    if r["method"]:
        method = r["method"]
        out.append((f"{plain(method['id'])} {plain(method['version'])}, digest {method['digest']}", "  method: "))
    out += _limits(r)
    verified = r["verified"] or {}
    if verified.get("run"):
        passed = {True: "passed", False: "FAILED", None: "not decided"}[verified["passed"]]
        gone = verified["passed"] and r["verified_counts"] is False
        now = ", which DOES NOT COUNT AS PASSED any more" if gone else ""
        out.append((f"{passed} on {verified['date']}, run {verified['run'][:SHOWN_ID]}{now}", "  verification: "))
    else:
        out.append(("none before this run", "  verification: "))
    if r["controlled"]:
        out.append((controlled_words(r), "  control of the shift: "))
    out += [
        (f"{plain(name)}: record {number}", "  fitted geometry of ") for name, number in (r["fitted"] or {}).items()
    ]
    return out


def _limits(r: dict[str, Any]) -> list[tuple[str, str]]:
    product = r["product"]
    if not product["id"]:
        return []
    words = f"{plain(product['id'])} version {plain(product['version']) or 'unknown'}"
    words += f", approved by {plain(product['approved_by'])}" if product["approved_by"] else ""
    words += f", text {product['text']}" if product["text"] else ""
    out = [(words, "  product: ")]
    for limit in r["limits"] or ():
        ends = " to ".join(NOTHING if x is None else as_set(x) for x in (limit["low"], limit["high"]))
        out.append((f"{spaced(limit['quantity'])} {ends} {limit['unit']}: {spaced(limit['verdict'])}", "  limit: "))
    return out
