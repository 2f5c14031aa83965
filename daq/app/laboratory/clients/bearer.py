"""The text of a token: made once, and found again in the records by the hash of its secret.

The secret has 256 random bits, so a slow hash would add nothing, and a wrong one is not counted.
"""

import contextlib
import hashlib
import hmac
import secrets
from typing import Final, Literal

from daq.adapters.store.reading import Reader
from daq.adapters.store.records import ChangeRecords
from daq.app.laboratory.laboratory import Kept, Laboratory, changed, find, new
from daq.core.errors import NotAllowedError, StoreError
from daq.laboratory.people import Person, Role, lesser
from daq.laboratory.tokens import Token, TokenHash, TokenUse

MARK: Final = "daq."
"""Beginning of every token.  The ticket of a log-in has no full stop, so that none is taken for a token."""
REFUSED: Final = "the token is refused; ask a person who administers for another one (daq token add)"
"""The same for every reason, so that it tells a stranger nothing."""

TokenState = Literal["valid", "revoked", "expired", "locked"]
"""State of a token; ``locked``: the person who added it is locked."""


def new_text(name: str) -> tuple[str, str]:
    """Return the text of a new token for a program, and the hash of its secret."""
    secret = secrets.token_urlsafe(32)
    return f"{MARK}{name}.{secret}", hash_of_secret(secret)


def hash_of_secret(secret: str) -> str:
    """Return the SHA-256 of a secret, hexadecimal."""
    return hashlib.sha256(secret.encode()).hexdigest()


def is_token(text: str) -> bool:
    """Return whether a text that a client sends is meant as a token, and not as the ticket of a log-in."""
    return text.startswith(MARK)


def state_of(reader: Reader, kept: Kept[Token], day: str) -> TokenState:
    """Return the state of a token on a day (YYYY-MM-DD).

    A person who adds a token sees its text, so a lock of that person refuses it too.
    """
    if kept.record.revoked:
        return "revoked"
    if kept.record.ended(day):
        return "expired"
    # A token only changes when it is revoked, so this is the revision that added it.
    adder = find(reader, Person, kept.who)
    return "locked" if adder is not None and adder.record.locked else "valid"


def role_of(reader: Reader, kept: Kept[Token]) -> Role:
    """Return the role in which a token is taken: the lesser of its own and that of the person who added it, now.

    A person sees the text of a token and could use it, so it lends no role that the person does not have.
    """
    adder = find(reader, Person, kept.who)
    return kept.record.role if adder is None else lesser(kept.record.role, adder.record.role)


def token_of(reader: Reader, laboratory: Laboratory, text: str, day: str) -> Token:
    """Return the token of a text with the role in which it is taken now, and record the day of its use.

    Args:
        reader: the records.
        laboratory: the laboratory.
        text: the text of the token.
        day: the present day, YYYY-MM-DD.

    Raises:
        NotAllowedError: there is no such token, it is revoked, its last day is over, or the person who added it is
            locked.
    """
    name, _, secret = text.removeprefix(MARK).partition(".")
    kept, stored = find(reader, Token, name), find(reader, TokenHash, name)
    expected = "" if stored is None else stored.record.sha256
    fits = hmac.compare_digest(hash_of_secret(secret), expected)
    if kept is None or not fits or state_of(reader, kept, day) != "valid":
        raise NotAllowedError(REFUSED, key="token")
    _record_use(reader, laboratory, kept.record, day)
    return kept.record.model_copy(update={"role": role_of(reader, kept)})


def _record_use(reader: Reader, laboratory: Laboratory, token: Token, day: str) -> None:
    """Record the first use of a day.  Runs in the background.  A failure here does not affect the request."""
    if not laboratory.tickets.first_of_day(token.id, day):
        return
    kept, use = find(reader, TokenUse, token.id), TokenUse(id=token.id, day=day)
    if kept is not None and kept.record.day >= day:
        return
    change = new(use, "token_used") if kept is None else changed(kept, use, "token_used")
    with contextlib.suppress(StoreError):
        laboratory.store.submit(ChangeRecords((change,), laboratory.clock.utc_ns(), token.id, ""))
