"""Tokens of programs: the name and role of each, the hash of its secret, and the day of its last use."""

from typing import ClassVar, Literal

from pydantic import Field

from daq.laboratory.record import Record
from daq.methods.files.fields import Day, Hidden

TokenRole = Literal["look", "measure"]
"""Roles of tokens.  The greater ones sign, decide and administer, which only a person may do."""


class Token(Record):
    """A token of a program; the id is the program's name.  Its hash is in `TokenHash`, so that no listing has it.

    Attributes:
        role: what the program may do at most.
        until: last day (YYYY-MM-DD) on which the token is taken; None: without end.
        revoked: true: the token is refused everywhere, for ever.
    """

    kind: ClassVar[str] = "token"
    role: TokenRole = "look"
    until: Day | None = None
    revoked: bool = False

    def keys(self) -> tuple[tuple[str, str], ...]:
        """Return the key: the id."""
        return (("id", self.id),)

    def ended(self, day: str) -> bool:
        """Return whether the token is refused on a day (YYYY-MM-DD)."""
        return self.revoked or (self.until is not None and self.until < day)


class TokenHash(Record):
    """SHA-256 (hexadecimal) of the secret of a token (same id)."""

    kind: ClassVar[str] = "token_hash"
    sha256: Hidden = Field(default="", repr=False)


class TokenUse(Record):
    """The newest day (YYYY-MM-DD) on which a token (same id) was used."""

    kind: ClassVar[str] = "token_use"
    day: Day
