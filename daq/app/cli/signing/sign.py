"""`daq sign`: sign runs, reportable results or reports, one or all of a period; the password is asked for."""

import argparse
import time
from collections.abc import Sequence
from typing import Any, Final

from daq.adapters.paths import config_dir
from daq.adapters.store.forms.result_values import damaged
from daq.adapters.store.reading import Reader
from daq.app.cli.common import RUN_HELP, count_of, open_reader, print_json
from daq.app.cli.laboratory.acting import given_by, identity_arguments, perform
from daq.app.cli.laboratory.typed_secrets import secret
from daq.app.cli.printing import say
from daq.app.laboratory.laboratory import find, listed
from daq.app.laboratory.signing.signing_list import EXAMINED, Asked, SigningList, named_subject, signing_list
from daq.app.laboratory.signing.subjects import Subject, refusals
from daq.app.records.signatures import RUN, Releases
from daq.app.screens.text import local_time, plain, sentence, spaced, utc_iso
from daq.app.setup.catalogue import Catalogue
from daq.core.errors import SettingError
from daq.laboratory.kinds import number_of
from daq.laboratory.people import Person
from daq.laboratory.reports import Report
from daq.laboratory.signing import MEANINGS, MOST_SIGNED
from daq.methods.parts.statement import Statement
from daq.process.logins import own_login
from daq.process.moments import bound
from daq.quality.digits import SHOWN_ID

EXAMPLES: Final = """\
examples:
  daq sign 3f2a --meaning measured
  daq sign G-1042/clear-glaze-qc --meaning released --as a.novak
  daq sign --since 2026-11-26 --product clear-glaze --meaning released
  daq sign 3f2a --meaning rejected --because "a bubble"
  daq sign 91BC-3F2A-07DE --meaning released      the number on a certificate

A set is listed before the password is asked for; those that need a look come first. All of it is signed, or nothing.
"""


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.epilog = EXAMPLES
    parser.add_argument(
        "subject",
        nargs="?",
        default="",
        metavar="RUN|REPORTABLE|REPORT",
        help=f"{RUN_HELP}; or SAMPLE/TEST; or the number of a report",
    )
    parser.add_argument("--meaning", required=True, choices=MEANINGS)
    parser.add_argument(
        "--because", default="", metavar="TEXT", help="the reason of a rejection, or of a review that lifts one"
    )
    group = parser.add_argument_group("a set")
    group.add_argument("--since", default="", metavar="TIME", help="runs that started from this day or time on")
    group.add_argument("--until", default="", metavar="TIME", help="up to this day or time")
    group.add_argument("--product", default="", metavar="ID", help="only runs of this product")
    group.add_argument("--instrument", default="", metavar="NAME", help="only runs on this instrument")
    group.add_argument(
        "--limit", type=count_of, default=EXAMINED, metavar="N", help=f"examine at most N runs, the newest ({EXAMINED})"
    )
    group.add_argument("--reportables", action="store_true", help="the reportable results of their samples")
    parser.add_argument("--list", dest="only_list", action="store_true", help="list what would be signed, only")
    parser.add_argument("--json", action="store_true", help="print the list as JSON, only")
    parser.add_argument("--password-file", default="", metavar="FILE", help="file with it; - is standard input")
    identity_arguments(parser)


def run(args: argparse.Namespace) -> int:
    """List what is to be signed, ask for the password, and sign all of it."""
    if bool(args.subject) == bool(args.since):
        raise SettingError("name a run, a reportable result or a report, or a set by --since")
    catalogue = Catalogue.load(config_dir(args.config), "products")
    with open_reader(args) as reader:
        person = _person(reader, args)
        found = _found(reader, catalogue, args, person)
    if args.json:
        print_json(_json(found))
        return 0
    _print(found)
    if args.only_list:
        return 0
    if not found.to_sign:
        raise SettingError("there is nothing to sign")
    if len(found.to_sign) > MOST_SIGNED:
        raise SettingError(
            f"{len(found.to_sign)} are too many at once; choose a shorter period (at most {MOST_SIGNED})"
        )
    given = given_by(args)
    question = f"password of {person.id}: " if person is not None else "password: "
    # With --as the password was asked for just now, after the list.
    password = given.password or secret(args.password_file, question, "--password-file")
    order: dict[str, Any] = {
        "signed": [{"of": s.of, "id": s.id, "digest": s.digest} for s in found.to_sign],
        "password": password,
    }
    if args.meaning == "measured":
        done = perform(args, "sign_measured", order, given)
    else:
        done = perform(args, "sign", order | {"meaning": args.meaning, "because": args.because}, given)
    say(f"{len(done['signed'])} signed as {done['meaning']} by {plain(done['by'])}")
    return 0


def _person(reader: Reader, args: argparse.Namespace) -> Person | None:
    """Return the person who will sign; None where a badge decides, or the login belongs to no person."""
    if args.as_person:
        kept = find(reader, Person, args.as_person)
        return None if kept is None else kept.record
    if args.ask_badge or args.badge_file:
        return None
    found = listed(reader, Person, "login", own_login())
    return found[0].record if found else None


def _found(reader: Reader, catalogue: Catalogue, args: argparse.Namespace, person: Person | None) -> SigningList:
    releases = Releases(reader)
    if args.subject:
        subject = named_subject(releases, args.subject)
        own = catalogue.daemon.people.review_own
        why = refusals(subject, args.meaning, person, review_own=own, alone=True)
        return SigningList([] if why else [subject], [(subject, why)] if why else [], [], [], 0, None)
    now = time.time_ns()
    asked = Asked(
        meaning=args.meaning,
        person=person,
        since_utc_ns=bound(args.since, now, "--since", end=False),
        until_utc_ns=bound(args.until, now, "--until", end=True),
        product=args.product,
        instrument=args.instrument,
        reportables=args.reportables,
        limit=args.limit,
    )
    return signing_list(releases, catalogue, asked)


def _line(s: Subject) -> str:
    name = s.id[:SHOWN_ID] if s.of == RUN else number_of(s.id) if s.of == Report.kind else plain(s.id)
    sample = f", sample {plain(s.sample)}" if s.of == RUN else ""
    product = f", {plain(s.product)}" if s.product else ""
    return f"{name}{sample}{product}, {local_time(s.began_utc_ns)}: {plain(s.shown)}"


def _print(found: SigningList) -> None:
    for s in found.to_sign:
        words = f" [{', '.join(spaced(name) for name in s.exceptions)}]" if s.exceptions else ""
        say(f"{_line(s)}{words}", "! " if s.exceptions else "  ")
    for s, why in found.left_out:
        say(f"{_line(s)}: {_reasons(why)}", "left out: ")
    for run_id in found.without_result:
        say(f"run {run_id[:SHOWN_ID]} has no result yet", "left out: ")
    for place in found.damaged:
        say(str(damaged(place["run"], place["field"])), "left out: ")
    if found.reached_utc_ns is not None:
        first = local_time(found.reached_utc_ns)
        say(f"runs before {first} were not examined; older ones: --until {first!r}", "left out: ")
    exceptions = sum(bool(s.exceptions) for s in found.to_sign)
    counts = f"{len(found.to_sign)} to sign, {exceptions} of them with exceptions; {len(found.left_out)} left out"
    say(f"{counts}; {found.signed} signed already")


def _reasons(why: Sequence[Statement]) -> str:
    return sentence(list(why))


def _json(found: SigningList) -> dict[str, Any]:
    def values(s: Subject) -> dict[str, Any]:
        return {
            "of": s.of,
            "id": s.id,
            "sample": s.sample,
            "product": s.product or None,
            "value": s.shown,
            "exceptions": list(s.exceptions),
            "digest": s.digest,
        }

    return {
        "to_sign": [values(s) for s in found.to_sign],
        "left_out": [values(s) | {"reasons": [w.model_dump(mode="json") for w in why]} for s, why in found.left_out],
        "without_result": found.without_result,
        "damaged": found.damaged,
        "signed": found.signed,
        "reached": utc_iso(found.reached_utc_ns),
    }
