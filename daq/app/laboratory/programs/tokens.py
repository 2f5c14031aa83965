"""Acts on the tokens of programs, and their list."""

import re
from typing import Any, Final

from daq.adapters.store.reading import Reader
from daq.app.laboratory.act import Act
from daq.app.laboratory.bench_work import DAEMON
from daq.app.laboratory.clients.bearer import new_text, role_of, state_of
from daq.app.laboratory.identity import owner, today
from daq.app.laboratory.laboratory import Laboratory, changed, find, listed, new
from daq.core.errors import SettingError, coded
from daq.laboratory.kinds import LAST
from daq.laboratory.people import Person
from daq.laboratory.tokens import Token, TokenHash, TokenRole, TokenUse
from daq.methods.files.fields import Day, Model, NeededLabel
from daq.process.logins import is_login

NAME: Final = re.compile(r"[a-z][a-z0-9-]{0,39}")
"""Names of programs: a part of the token, which is sent in a header, and the identity in results."""


class AddToken(Model):
    """Order to add a token for a program, until a day (otherwise without end)."""

    id: NeededLabel
    role: TokenRole
    until: Day | None = None


class RevokeToken(Model):
    """Order to refuse a token from now on."""

    id: NeededLabel
    because: NeededLabel


def add(laboratory: Laboratory, order: AddToken) -> dict[str, Any]:
    """Add a token, and return its text, which is stored nowhere.

    Raises:
        SettingError: the name has other characters, or a token, a person, a login or the daemon has it; the last day
            is over.
    """
    if not NAME.fullmatch(order.id):
        raise SettingError("is no name of a program: at most 40 of a-z, 0-9 and hyphens, a letter first", key="id")
    _refuse_name_in_use(laboratory, order.id)
    day = today(laboratory)
    if order.until is not None and order.until < day:
        raise SettingError(f"{order.until} is before today, {day}", key="until")
    text, sha256 = new_text(order.id)
    token = Token(id=order.id, role=order.role, until=order.until)
    laboratory.change(new(token, "token_added"), new(TokenHash(id=order.id, sha256=sha256), "token_hash_added"))
    return {"id": order.id, "token": text}


def revoke(laboratory: Laboratory, order: RevokeToken) -> dict[str, Any]:
    """Refuse a token from now on; `SettingError` if there is none, or it is revoked already."""
    kept = laboratory.get(Token, order.id)
    if kept.record.revoked:
        raise coded(SettingError(f"the token {order.id} is revoked already", key="id"), "token_revoked", token=order.id)
    revoked = kept.record.model_copy(update={"revoked": True})
    laboratory.change(changed(kept, revoked, "token_revoked"), because=order.because)
    return {"id": order.id}


def _refuse_name_in_use(laboratory: Laboratory, name: str) -> None:
    """Refuse a name that would mean two in the audit trail; that of a revoked token, too."""
    # A login that belongs to no person acts under its own name.
    if name in (DAEMON.who, laboratory.login, owner(laboratory)) or is_login(name):
        raise SettingError(f"a login of this machine, or the daemon, acts under this name: {name!r}", key="id")
    with laboratory.reader() as reader:
        if find(reader, Token, name) is not None:
            raise SettingError(f"there is a token {name!r} already, or was one; give this one another name", key="id")
        if find(reader, Person, name) is not None or listed(reader, Person, "login", name):
            raise SettingError(f"{name!r} is a person or the login of one; give the token another name", key="id")


def list_tokens(reader: Reader, day: str, *, limit: int = -1) -> list[dict[str, Any]]:
    """Return tokens by name without their hashes, each with role and state on a day and the day of last use.

    Args:
        reader: the records.
        day: the present day.
        limit: greatest number; -1: all.
    """
    rows = []
    for kept in listed(reader, Token, "id", "", LAST, limit=limit):
        token, use = kept.record, find(reader, TokenUse, kept.record.id)
        rows.append(
            {
                "id": token.id,
                "role": role_of(reader, kept),
                "until": token.until,
                "state": state_of(reader, kept, day),
                "used": None if use is None else use.record.day,
                "changed_by": kept.who,
                "because": kept.because,
            }
        )
    return rows


ACTS: Final = (
    Act("token_add", AddToken, "administer", add, always=True),
    Act("token_revoke", RevokeToken, "administer", revoke, always=True),
)
