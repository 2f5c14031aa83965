"""Acts on persons, and questions about them."""

from datetime import date, timedelta
from typing import Annotated, Any, Final

from daq.adapters.store.reading import Reader
from daq.app.laboratory.act import Act
from daq.app.laboratory.identity import administrators, can_administer, credentials, today
from daq.app.laboratory.laboratory import Kept, Laboratory, changed, find, listed, new
from daq.core.errors import SettingError
from daq.laboratory.kinds import LAST
from daq.laboratory.people import Authorisation, Credentials, Person, Role
from daq.laboratory.tokens import Token
from daq.methods.files.fields import Day, Hidden, Label, Listed, Model, NeededLabel
from daq.process.hashes import hash_beside, hash_of, owner_of

SHORTEST_PASSWORD: Final = 8
"""Least number of characters of a password (NIST SP 800-63B, 5.1.1.2)."""
SHORTEST_BADGE: Final = 4
"""Least number of characters of a badge's code (common practice, no source)."""
Logins = Annotated[tuple[NeededLabel, ...], Listed]


class AddPerson(Model):
    """Order to add a person."""

    id: NeededLabel
    name: Label = ""
    role: Role
    logins: Logins = ()
    password: Hidden = ""


class SetRole(Model):
    """Order to give a person another role."""

    id: NeededLabel
    role: Role
    because: Label = ""


class SetLogins(Model):
    """Order to replace the logins of a person."""

    id: NeededLabel
    logins: Logins
    because: Label = ""


class LockPerson(Model):
    """Order to lock a person, or to lift the lock."""

    id: NeededLabel
    because: NeededLabel


class SetPassword(Model):
    """Order to set a person's password."""

    id: NeededLabel
    password: Hidden


class SetBadge(Model):
    """Order to give a person a badge in the place of any other; "" takes it away."""

    id: NeededLabel
    badge: Hidden


class Authorise(Model):
    """Order to authorise a person for a method, from a day (otherwise today) to a day (otherwise without end)."""

    id: NeededLabel
    method: NeededLabel
    since: Day | None = None
    until: Day | None = None


class Withdraw(Model):
    """Order to end a person's authorisations for a method before today."""

    id: NeededLabel
    method: NeededLabel
    because: NeededLabel


def add(laboratory: Laboratory, order: AddPerson) -> dict[str, Any]:
    """Add a person.

    Raises:
        SettingError: the id or a login is in use, the password is too short, or no one would administer.
    """
    if laboratory.found(Person, order.id) is not None:
        raise SettingError(f"there is a person {order.id!r} already; give this one another id", key="id")
    person = Person(id=order.id, name=order.name, role=order.role, logins=order.logins)
    _refuse_names_in_use(laboratory, person)
    if order.password:
        _refuse_short_password(order.password)
    _keep_an_administrator(laboratory, person, has_password=bool(order.password))
    hashed = hash_of(order.password) if order.password else ""
    laboratory.change(new(person, "person_added"), new(Credentials(id=order.id, password=hashed), "credentials_added"))
    return {"id": order.id}


def set_role(laboratory: Laboratory, order: SetRole) -> dict[str, Any]:
    """Give a person another role; `SettingError` if no one would administer."""
    return _change(laboratory, order.id, {"role": order.role}, "person_role_set", order.because)


def set_logins(laboratory: Laboratory, order: SetLogins) -> dict[str, Any]:
    """Replace the logins of a person; `SettingError` if one is in use, or no one would administer."""
    return _change(laboratory, order.id, {"logins": order.logins}, "person_logins_set", order.because)


def lock(laboratory: Laboratory, order: LockPerson) -> dict[str, Any]:
    """Lock a person; `SettingError` if no one would administer."""
    return _change(laboratory, order.id, {"locked": True}, "person_locked", order.because)


def unlock(laboratory: Laboratory, order: LockPerson) -> dict[str, Any]:
    """Lift the lock of a person."""
    return _change(laboratory, order.id, {"locked": False}, "person_unlocked", order.because)


def set_password(laboratory: Laboratory, order: SetPassword) -> dict[str, Any]:
    """Set a person's password: one's own, or as a person who administers that of another.

    Raises:
        SettingError: it is the password of another person, the one who acts was identified by a badge, or it is too
            short.
    """
    laboratory.get(Person, order.id)
    who = laboratory.identified
    if who is None or who.by_badge:
        raise SettingError("a badge does not identify for a password; log in with --as PERSON")
    if who.name != order.id and who.role != "administer":
        raise SettingError(f"the password of {order.id} needs the role administer; {who.name} has the role {who.role}")
    _refuse_short_password(order.password)
    _set_hash(laboratory, order.id, "password", hash_of(order.password), "person_password_set")
    return {"id": order.id}


def set_badge(laboratory: Laboratory, order: SetBadge) -> dict[str, Any]:
    """Give a person a badge, or take it away; `SettingError` if it is too short or belongs to another person."""
    laboratory.get(Person, order.id)
    hashed = ""
    if order.badge:
        if len(order.badge) < SHORTEST_BADGE:
            raise SettingError(f"has less than {SHORTEST_BADGE} characters", key="badge")
        with laboratory.reader() as reader:
            others = {c.id: c.badge for c in credentials(reader) if c.id != order.id}
        if (other := owner_of(order.badge, others)) is not None:
            raise SettingError(f"belongs to {other}; take it from that person first", key="badge")
        hashed = hash_beside(order.badge, others)
    _set_hash(laboratory, order.id, "badge", hashed, "person_badge_set" if hashed else "person_badge_taken")
    return {"id": order.id}


def authorise(laboratory: Laboratory, order: Authorise) -> dict[str, Any]:
    """Authorise a person for a method; `SettingError` if the method is not known, or the days are in no order."""
    method = laboratory.catalogue.method(order.method).id
    kept = laboratory.get(Person, order.id)
    since = order.since or today(laboratory)
    if order.until is not None and order.until < since:
        raise SettingError(f"{order.until} is before the first day, {since}", key="until")
    given = Authorisation(method=method, since=since, until=order.until, by=laboratory.who)
    every = (*kept.record.authorisations, given)
    return _change(laboratory, order.id, {"authorisations": every}, "person_authorised", "")


def withdraw(laboratory: Laboratory, order: Withdraw) -> dict[str, Any]:
    """End a person's authorisations for a method with yesterday; runs of earlier days keep theirs.

    Raises:
        SettingError: there is no such authorisation from today on.
    """
    kept = laboratory.get(Person, order.id)
    day = today(laboratory)
    yesterday = (date.fromisoformat(day) - timedelta(days=1)).isoformat()
    every: list[Authorisation] = []
    for a in kept.record.authorisations:
        if a.method != order.method or (a.until is not None and a.until < day):
            every.append(a)
        elif a.since < day:
            every.append(a.model_copy(update={"until": yesterday}))
    if tuple(every) == kept.record.authorisations:
        raise SettingError(f"{order.id} has no authorisation for {order.method!r} from today on", key="method")
    return _change(laboratory, order.id, {"authorisations": tuple(every)}, "person_withdrawn", order.because)


def _change(laboratory: Laboratory, ident: str, values: dict[str, Any], what: str, because: str) -> dict[str, Any]:
    """Store new values of a person's record."""
    kept = laboratory.get(Person, ident)
    person = kept.record.model_copy(update=values)
    _refuse_names_in_use(laboratory, person)
    with laboratory.reader() as reader:
        stored = find(reader, Credentials, ident)
    _keep_an_administrator(laboratory, person, has_password=stored is not None and bool(stored.record.password))
    laboratory.change(changed(kept, person, what), because=because)
    return {"id": ident}


def _set_hash(laboratory: Laboratory, ident: str, name: str, hashed: str, what: str) -> None:
    kept = laboratory.get(Credentials, ident)
    laboratory.change(changed(kept, kept.record.model_copy(update={name: hashed}), what))


def _refuse_short_password(password: str) -> None:
    if len(password) < SHORTEST_PASSWORD:
        raise SettingError(f"has less than {SHORTEST_PASSWORD} characters", key="password")


def _refuse_names_in_use(laboratory: Laboratory, person: Person) -> None:
    """Refuse logins of other persons, and names that would mean two persons in the audit trail."""
    with laboratory.reader() as reader:
        for login in person.logins:
            if any(k.record.id != person.id for k in listed(reader, Person, "login", login)):
                raise SettingError(f"{login!r} belongs to another person; a shared login needs badges", key="logins")
            if login != person.id and find(reader, Person, login) is not None:
                raise SettingError(f"{login!r} is the id of another person", key="logins")
            if find(reader, Token, login) is not None:
                raise SettingError(f"{login!r} is the name of a token", key="logins")
        if find(reader, Token, person.id) is not None:
            raise SettingError(f"{person.id!r} is the name of a token", key="id")
        if any(k.record.id != person.id for k in listed(reader, Person, "login", person.id)):
            raise SettingError(f"{person.id!r} is a login of another person", key="id")


def _keep_an_administrator(laboratory: Laboratory, person: Person, *, has_password: bool) -> None:
    """Refuse a change to `person` after which no one could administer."""
    with laboratory.reader() as reader:
        others = [p for p in administrators(reader) if p.id != person.id]
    if not others and not can_administer(person, has_password=has_password):
        raise SettingError(
            "there would be no person who administers, is not locked, and has a login or a password; there must be one"
        )


def persons(reader: Reader) -> list[Kept[Person]]:
    """Return all persons by id."""
    return listed(reader, Person, "id", "", LAST, limit=-1)


def has(reader: Reader, ident: str) -> dict[str, bool]:
    """Return whether a person has a password and a badge."""
    kept = find(reader, Credentials, ident)
    found = Credentials(id=ident) if kept is None else kept.record
    return {"password": bool(found.password), "badge": bool(found.badge)}


ACTS: Final = (
    Act("person_add", AddPerson, "administer", add, always=True),
    Act("person_role", SetRole, "administer", set_role, always=True),
    Act("person_logins", SetLogins, "administer", set_logins, always=True),
    Act("person_lock", LockPerson, "administer", lock, always=True),
    Act("person_unlock", LockPerson, "administer", unlock, always=True),
    Act("person_password", SetPassword, "look", set_password, always=True),
    Act("person_badge", SetBadge, "administer", set_badge, always=True),
    Act("person_authorise", Authorise, "administer", authorise, always=True),
    Act("person_withdraw", Withdraw, "administer", withdraw, always=True),
)
"""Acts on persons.  The role is needed also where people are switched off: the switch would give them power later."""
