"""`daq person`: add, list and show persons; set role, logins, password and badge; authorise them for methods."""

import argparse
from typing import Any, Final

from daq.app.cli.common import open_reader, print_json
from daq.app.cli.laboratory.acting import identity_arguments, perform
from daq.app.cli.laboratory.typed_secrets import new_secret
from daq.app.cli.printing import print_table, say
from daq.app.laboratory.laboratory import Kept, find
from daq.app.laboratory.people import has, persons
from daq.app.screens.text import plain
from daq.core.errors import SettingError
from daq.laboratory.people import ROLES, Authorisation, Person

EXAMPLES: Final = """\
examples:
  daq person add m.keeper --name "M. Keeper" --role administer --login mkeeper
  daq person add a.firing --role measure
  daq person badge a.firing
  daq person authorise a.firing clear-glaze-qc --until 2027-06-30
  daq person lock a.firing --because "left the works"

The first person must administer. The login that owns the state directory adds it.
"""


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add a parser for each part."""
    parser.epilog = EXAMPLES
    parts = parser.add_subparsers(dest="part", metavar="PART", required=True)
    one = _part(parts, "add", "add a person")
    one.add_argument("--name", default="", metavar="NAME", help="full name")
    one.add_argument("--role", required=True, choices=ROLES)
    one.add_argument(
        "--login", dest="logins", action="append", default=[], metavar="LOGIN", help="login of this person"
    )
    one.add_argument("--password", dest="ask_password", action="store_true", help="ask for a password")
    one.add_argument("--password-file", default="", metavar="FILE", help="file with it; - is standard input")
    one = parts.add_parser("list", help="list all persons")
    one.add_argument("--json", action="store_true", help="print them as JSON")
    one = parts.add_parser("show", help="show a person with the authorisations")
    one.add_argument("id", metavar="PERSON")
    one.add_argument("--json", action="store_true", help="print it as JSON")
    one = _part(parts, "role", "give a person another role")
    one.add_argument("role", choices=ROLES)
    one.add_argument("--because", default="", metavar="TEXT")
    one = _part(parts, "logins", "replace the logins of a person")
    one.add_argument("logins", nargs="*", metavar="LOGIN")
    one.add_argument("--because", default="", metavar="TEXT")
    one = _part(parts, "lock", "refuse a person everywhere")
    one.add_argument("--because", required=True, metavar="TEXT")
    one = _part(parts, "unlock", "lift the lock of a person")
    one.add_argument("--because", required=True, metavar="TEXT")
    one = _part(parts, "password", "set a password; it is asked for")
    one.add_argument("--password-file", default="", metavar="FILE", help="file with it; - is standard input")
    one = _part(parts, "badge", "give a person a badge; its code is asked for")
    one.add_argument("--code-file", default="", metavar="FILE", help="file with the code; - is standard input")
    one.add_argument("--take", action="store_true", help="take the badge away")
    one = _part(parts, "authorise", "authorise a person for a method")
    one.add_argument("method", metavar="METHOD")
    one.add_argument("--from", dest="since", default=None, metavar="DAY", help="first day (otherwise today)")
    one.add_argument("--until", default=None, metavar="DAY", help="last day (otherwise without end)")
    one = _part(parts, "withdraw", "end the authorisation of a person for a method")
    one.add_argument("method", metavar="METHOD")
    one.add_argument("--because", required=True, metavar="TEXT")


def _part(
    parts: "argparse._SubParsersAction[argparse.ArgumentParser]", name: str, text: str
) -> argparse.ArgumentParser:
    one = parts.add_parser(name, help=text)
    one.add_argument("id", metavar="PERSON")
    identity_arguments(one)
    return one


_DONE: Final = {
    "add": "is added",
    "role": "has another role",
    "logins": "has other logins",
    "lock": "is locked",
    "unlock": "is not locked any more",
    "password": "has a new password",
    "badge": "has a new badge",
    "authorise": "is authorised",
    "withdraw": "is not authorised any more",
}
"""Sentence by act; the part of the act's name after ``person_``."""
_VALUES: Final = {
    "add": ("id", "name", "role", "logins"),
    "role": ("id", "role", "because"),
    "logins": ("id", "logins", "because"),
    "lock": ("id", "because"),
    "unlock": ("id", "because"),
    "password": ("id",),
    "badge": ("id",),
    "authorise": ("id", "method", "since", "until"),
    "withdraw": ("id", "method", "because"),
}
"""Options that go into the order of an act as they are."""


def run(args: argparse.Namespace) -> int:
    """Run the part and return its exit code."""
    if args.part in ("list", "show"):
        return _list(args) if args.part == "list" else _show(args)
    order: dict[str, Any] = {name: getattr(args, name) for name in _VALUES[args.part]} | _secret_of(args)
    perform(args, f"person_{args.part}", order)
    done = "has no badge any more" if args.part == "badge" and args.take else _DONE[args.part]
    say(f"{plain(args.id)} {done}")
    return 0


def _secret_of(args: argparse.Namespace) -> dict[str, str]:
    """Return the password or code of the order, asked for or read from a file."""
    if args.part == "password" or (args.part == "add" and (args.ask_password or args.password_file)):
        return {"password": new_secret(args.password_file, f"new password of {args.id}: ", "--password-file")}
    if args.part == "badge":
        question = f"code of the badge of {args.id}: "
        return {"badge": "" if args.take else new_secret(args.code_file, question, "--code-file")}
    return {}


def _list(args: argparse.Namespace) -> int:
    with open_reader(args) as reader:
        found = [(k, has(reader, k.record.id)) for k in persons(reader)]
    if args.json:
        print_json([_json(k, known) for k, known in found])
    elif not found:
        say("no persons; the login that owns the state directory adds the first one: `daq person add`")
    else:
        head = ["person", "name", "role", "logins", "password", "badge", "locked"]
        print_table(head, [_row(k.record, known) for k, known in found])
    return 0


def _row(p: Person, known: dict[str, bool]) -> list[str]:
    marks = [_yes(known["password"]), _yes(known["badge"]), _yes(p.locked)]
    return [plain(p.id), plain(p.name), p.role, plain(", ".join(p.logins)), *marks]


def _yes(value: bool) -> str:
    return "yes" if value else ""


def _show(args: argparse.Namespace) -> int:
    with open_reader(args) as reader:
        kept, known = find(reader, Person, args.id), has(reader, args.id)
    if kept is None:
        raise SettingError(f"there is no person {args.id!r}; `daq person list` lists them")
    if args.json:
        print_json(_json(kept, known))
        return 0
    p = kept.record
    lines = {
        "name": p.name,
        "role": p.role,
        "logins": ", ".join(p.logins),
        "password": _yes(known["password"]),
        "badge": _yes(known["badge"]),
        "locked": _yes(p.locked),
    }
    say(plain(p.id), "person: ")
    for name, value in lines.items():
        if value:
            say(plain(value), f"{name}: ")
    for a in p.authorisations:
        say(plain(_days(a)), "authorised: ")
    because = f" because {plain(kept.because)}" if kept.because else ""
    say(f"{kept.what.replace('_', ' ')} by {plain(kept.who)}{because}")
    return 0


def _days(a: Authorisation) -> str:
    return f"{a.method} from {a.since}" + (f" until {a.until}" if a.until else "") + f" by {a.by}"


def _json(kept: Kept[Person], known: dict[str, bool]) -> dict[str, Any]:
    changed = {"revision": kept.revision, "changed_by": kept.who}
    return kept.record.model_dump(mode="json") | {f"has_{name}": value for name, value in known.items()} | changed
