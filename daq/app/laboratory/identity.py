"""The one place that decides who acts: from a log-in's ticket, a token, a badge, a password, or the kernel's login."""

from datetime import UTC, datetime
from typing import TYPE_CHECKING, Final

from daq.adapters.store.reading import Reader
from daq.app.laboratory.clients.bearer import is_token, token_of
from daq.app.laboratory.given import NOTHING_GIVEN, Given
from daq.app.laboratory.laboratory import Laboratory, find, listed
from daq.core.errors import NotAllowedError, SettingError, coded
from daq.laboratory.kinds import LAST
from daq.laboratory.people import Credentials, Operator, Person, Role, Who, includes, lesser
from daq.process.hashes import fits, owner_of
from daq.process.logins import login_of

if TYPE_CHECKING:
    from daq.app.setup.run_order import RunOrder

SWITCHED_OFF: Final = "people are not switched on (required in [people] of daemon.toml); leave it out"
LOG_IN_ENDED: Final = "the log-in has ended; log in again"
BY_BADGE: Final[Role] = "measure"
"""The most that a badge identifies for: it can be found and lent."""
FREE_AT_PAGE: Final = 20
"""Number of wrong badges of all visitors of the page together that delay no one (common practice, no source)."""


def identify(laboratory: Laboratory, given: Given = NOTHING_GIVEN) -> Who:
    """Return who acts: the person of the ticket, of the badge, of the id and password, or of the login, in this order.

    A token in the place of the ticket identifies a program, and no person.

    Raises:
        SettingError: badge or password are wrong, were tried too often, ticket or token have ended, or the person is
            locked.
    """
    if sum(bool(secret) for secret in (given.badge, given.person, given.ticket)) > 1:
        raise SettingError("give a badge, or a person with a password; not both", key="badge")
    by_badge = bool(given.badge)
    with laboratory.reader() as reader:
        if is_token(given.ticket):
            return _client(reader, laboratory, given.ticket)
        if given.ticket:
            person, by_badge = _of_ticket(reader, laboratory, given.ticket)
            role: Role = BY_BADGE if by_badge else "administer"
        elif given.badge:
            person, role = _of_badge(reader, laboratory, given), BY_BADGE
        elif given.person:
            person, role = _of_password(reader, laboratory, given), "administer"
        elif given.page:
            return Who(laboratory.login)
        else:
            found = listed(reader, Person, "login", laboratory.login)
            if not found:
                return Who(laboratory.login)
            person, role = found[0].record, "administer"
    if person.locked:
        raise coded(
            NotAllowedError(f"{person.id} is locked; ask a person who administers"), "person_locked", person=person.id
        )
    return Who(laboratory.login, person, lesser(person.role, role), by_badge=by_badge)


def _client(reader: Reader, laboratory: Laboratory, text: str) -> Who:
    """Return the program of a token, in the role of the token."""
    if not laboratory.catalogue.daemon.people.required:
        raise coded(SettingError(SWITCHED_OFF, key="token"), "people_off")
    token = token_of(reader, laboratory, text, today(laboratory))
    return Who(laboratory.login, role=token.role, client=token.id)


def _of_ticket(reader: Reader, laboratory: Laboratory, ticket: str) -> tuple[Person, bool]:
    """Return the person of a ticket as the records have it now, and whether a badge identified the person."""
    found = laboratory.tickets.use(ticket, laboratory.clock.mono_ns())
    kept = None if found is None else find(reader, Person, found.person)
    if found is None or kept is None:
        raise coded(NotAllowedError(LOG_IN_ENDED, key="ticket"), "log_in_ended")
    return kept.record, found.by_badge


def log_in(laboratory: Laboratory, given: Given) -> tuple[str, Who]:
    """Return a new ticket for the person of a badge, or of an id and password, and who that is.

    Raises:
        SettingError: people are not switched on, no secret was given, or as in `identify`.
    """
    if not laboratory.catalogue.daemon.people.required:
        raise coded(SettingError(SWITCHED_OFF, key=given.secret), "people_off")
    if given.ticket or not given.secret:
        raise SettingError("a log-in needs a badge, or a person with a password", key="person")
    who = identify(laboratory, given)
    name = who.name
    return laboratory.tickets.issue(name, by_badge=who.by_badge, mono_ns=laboratory.clock.mono_ns()), who


def _of_badge(reader: Reader, laboratory: Laboratory, given: Given) -> Person:
    def verify() -> Person | None:
        hashes = {c.id: c.badge for c in credentials(reader)}
        owner = owner_of(given.badge, hashes)
        kept = None if owner is None else find(reader, Person, owner)
        return None if kept is None else kept.record

    # Every visitor of the page has the page's login.  The page slows down each address; here all of them together.
    name, shared = ("badge at the page", FREE_AT_PAGE) if given.page else (f"badge at {laboratory.login}", 0)
    return laboratory.log_ins.check(name, laboratory.clock.mono_ns(), verify, shared=shared)


def _of_password(reader: Reader, laboratory: Laboratory, given: Given) -> Person:
    kept, stored = find(reader, Person, given.person), find(reader, Credentials, given.person)
    # Ids that do not exist are counted together, so that they cannot fill the memory.
    name = "" if kept is None else f"password of {given.person}"

    def verify() -> Person | None:
        if kept is None or stored is None or not fits(given.password, stored.record.password):
            return None
        return kept.record

    return laboratory.log_ins.check(name, laboratory.clock.mono_ns(), verify)


def confirm(laboratory: Laboratory, person: Person, password: str) -> None:
    """Compare a password that a person, who is known already, gives again.

    Raises:
        SettingError: it is wrong, was tried too often, or the person has none.
    """
    with laboratory.reader() as reader:
        _of_password(reader, laboratory, Given(person=person.id, password=password))


def credentials(reader: Reader) -> list[Credentials]:
    """Return the hashes of all persons."""
    return [k.record for k in listed(reader, Credentials, "id", "", LAST, limit=-1)]


def administrators(reader: Reader) -> list[Person]:
    """Return the persons who administer, are not locked, and can log in."""
    found = [k.record for k in listed(reader, Person, "role", "administer", limit=-1)]
    able = {c.id for c in credentials(reader) if c.password}
    return [p for p in found if can_administer(p, has_password=p.id in able)]


def can_administer(person: Person, *, has_password: bool) -> bool:
    """Return whether a person administers, is not locked, and has a login or a password."""
    return person.role == "administer" and not person.locked and (bool(person.logins) or has_password)


def acting(
    laboratory: Laboratory, what: str, needed: Role, given: Given = NOTHING_GIVEN, *, always: bool = False
) -> Who:
    """Return who acts, in a role that is enough.

    Where people are switched off, the login acts, and what only an administrator may do needs one all the same
    (`always`).  While there is no administrator, the login that owns the state directory takes the place of one.

    Raises:
        SettingError: the person is not known, is locked, or has a lesser role; badge or password are wrong.
    """
    if not (laboratory.catalogue.daemon.people.required or always):
        if given.secret:
            raise coded(SettingError(SWITCHED_OFF, key=given.secret), "people_off")
        return Who(laboratory.login)
    who = identify(laboratory, given)
    no_one = who.person is None and not who.client
    if no_one and always and not given.page and _may_begin(laboratory):
        return Who(laboratory.login, None, "administer")
    return _in_role(who, what, needed)


def _may_begin(laboratory: Laboratory) -> bool:
    with laboratory.reader() as reader:
        if administrators(reader):
            return False
    return laboratory.login == owner(laboratory)


def owner(laboratory: Laboratory) -> str:
    """Return the login that owns the state directory."""
    return login_of(laboratory.store.path.parent.stat().st_uid)


def _in_role(who: Who, what: str, needed: Role) -> Who:
    """Return `who`; `NotAllowedError` unless the role is enough for `what`."""
    if who.role is None:
        error = NotAllowedError(
            f"{what} needs a person with the role {needed}, and the login {who.login} belongs to no person; log in "
            "with --as PERSON" + (", or use your badge (--badge)" if includes(BY_BADGE, needed) else "")
        )
        raise coded(error, "person_needed", need=needed)
    if not includes(who.role, needed):
        badge = f"; a badge identifies for the role {BY_BADGE} at most" if who.by_badge else ""
        error = NotAllowedError(f"{what} needs the role {needed}; {who.name} acts in the role {who.role}{badge}")
        raise coded(error, "role_needed", need=needed, person=who.name, role=who.role)
    return who


def refuse_copy(laboratory: Laboratory) -> None:
    """Refuse a copy of the database, which has the hashes of passwords, to logins that may not have it.

    The owner of the state directory reads the file anyway.

    Raises:
        SettingError: the login belongs to no person who administers.
    """
    if laboratory.login == owner(laboratory):
        return
    with laboratory.reader() as reader:
        has_hashes = bool(credentials(reader))
    acting(laboratory, "a copy of the database", "administer", always=has_hashes)


def operator_of(laboratory: Laboratory, order: "RunOrder") -> Operator:
    """Return the operator of a run: the person of the ticket, of the badge or of the login.

    Where people are switched off, the operator is the typed name, or the login.

    Raises:
        SettingError: the person is not known, is locked or may not measure, or the order names another one.
        NotAllowedError: a program gives the order by its token: no motor turns without a person.
    """
    if not laboratory.catalogue.daemon.people.required:
        if order.badge or order.ticket:
            raise coded(SettingError(SWITCHED_OFF, key="badge" if order.badge else "ticket"), "people_off")
        return Operator(order.operator or laboratory.login)
    given = Given(badge=order.badge, ticket=order.ticket, page=bool(order.ticket))
    who = _in_role(identify(laboratory, given), "a run", "measure")
    if who.client:
        error = NotAllowedError(f"a run is started by a person; {who.client} is a program with a token", key="ticket")
        raise coded(error, "person_only", client=who.client)
    if order.operator not in ("", who.name):
        by = "badge" if who.by_badge else "login"
        other = SettingError(f"{who.name} measures, by the {by}; another name cannot be given", key="operator")
        raise coded(other, "other_operator", person=who.name)
    method = laboratory.catalogue.method(order.method_id, order.method_version).id
    authorised = who.person is not None and who.person.authorised(method, today(laboratory))
    return Operator(who.name, "authorised" if authorised else "not_authorised")


def today(laboratory: Laboratory) -> str:
    """Return the present day at this place, YYYY-MM-DD."""
    return datetime.fromtimestamp(laboratory.clock.utc_ns() / 1e9, UTC).astimezone().date().isoformat()
