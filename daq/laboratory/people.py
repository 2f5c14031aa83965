"""Persons: their roles, logins and authorisations, and the hashes by which they log in."""

from dataclasses import dataclass
from typing import Annotated, ClassVar, Final, Literal, Self

from pydantic import Field, model_validator

from daq.laboratory.record import Record
from daq.methods.files.fields import Day, Hidden, KeyedError, Label, Listed, Model, NeededLabel
from daq.methods.parts.origin import Attribution

Role = Literal["look", "measure", "review", "administer"]
ROLES: Final[tuple[Role, ...]] = ("look", "measure", "review", "administer")
"""Roles of persons; each later one may do what the ones before it may."""


def includes(role: Role, needed: Role) -> bool:
    """Return whether a role may do what another one may."""
    return ROLES.index(role) >= ROLES.index(needed)


def lesser(role: Role, other: Role) -> Role:
    """Return the role of two that may do less."""
    return min(role, other, key=ROLES.index)


class Authorisation(Model):
    """Leave to measure by a method, from the first to the last day (YYYY-MM-DD); without a last day it goes on."""

    method: NeededLabel
    since: Day
    until: Day | None = None
    by: NeededLabel
    """The person who gave it."""

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        if self.until is not None and self.until < self.since:
            raise KeyedError("until", f"{self.until} is before the first day, {self.since}")
        return self


class Person(Record):
    """A person of the laboratory.  Hashes are in `Credentials`, so that no listing of persons has them.

    Attributes:
        name: the full name.
        role: what the person may do at most.
        logins: logins of the operating system that belong to this person alone.
        locked: true: the person is refused everywhere.
        authorisations: methods by which the person measures for reportable results.
    """

    kind: ClassVar[str] = "person"
    name: Label = ""
    role: Role = "look"
    logins: Annotated[tuple[NeededLabel, ...], Listed] = ()
    locked: bool = False
    authorisations: Annotated[tuple[Authorisation, ...], Listed] = ()

    def keys(self) -> tuple[tuple[str, str], ...]:
        """Return the keys: id, each login, and the role."""
        return (("id", self.id), ("role", self.role), *(("login", login) for login in self.logins))

    def authorised(self, method: str, day: str) -> bool:
        """Return whether the person is authorised for a method (id) on a day (YYYY-MM-DD)."""
        return any(
            a.method == method and a.since <= day and (a.until is None or day <= a.until) for a in self.authorisations
        )


class Credentials(Record):
    """Hashes by which a person (same id) logs in: of the password, and of the badge's code; "" without."""

    kind: ClassVar[str] = "credentials"
    password: Hidden = Field(default="", repr=False)
    badge: Hidden = Field(default="", repr=False)

    def keys(self) -> tuple[tuple[str, str], ...]:
        """Return the key: the id.  A hash is no key, because keys are written into the audit trail."""
        return (("id", self.id),)


@dataclass(frozen=True, slots=True)
class Who:
    """A login, the person who was identified, and the role in which the person acts; None where no person is known."""

    login: str
    person: Person | None = None
    role: Role | None = None
    by_badge: bool = False
    """Identified by a badge, which can be found and lent."""
    client: str = ""
    """Name of the program that was identified by its token; then no person is known."""

    @property
    def name(self) -> str:
        """The person's id, or the program's name; the login where neither is known."""
        return (self.client or self.login) if self.person is None else self.person.id


@dataclass(frozen=True, slots=True)
class Operator:
    """The person who measures, as the record of a run has it."""

    name: str
    attribution: Attribution = "unattributed"
