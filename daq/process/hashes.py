"""Hashes of passwords and of the codes of badges: Argon2id (RFC 9106), with the parameters of argon2-cffi.

The codes of all badges are hashed with one salt.  A code names no person, so with a salt for each the code would be
hashed once for each person.
"""

import base64
import hmac
from collections.abc import Mapping
from typing import TYPE_CHECKING

from daq.process.extras import need

if TYPE_CHECKING:
    from argon2 import PasswordHasher

_WHAT = "a password or a badge"


def hash_of(secret: str) -> str:
    """Return the hash of a password, in the PHC string format.

    Raises:
        SettingError: the library is not installed; the error names the extra.
    """
    return _hasher().hash(secret)


def fits(secret: str, stored: str) -> bool:
    """Return whether a password has a stored hash; False where that is empty or damaged.  Errors as in `hash_of`."""
    hasher = _hasher()
    from argon2.exceptions import InvalidHashError, VerificationError  # noqa: PLC0415 - of an extra

    try:
        return hasher.verify(stored, secret)
    except (VerificationError, InvalidHashError):
        return False


def hash_beside(secret: str, others: Mapping[str, str]) -> str:
    """Return the hash of a badge's code, with the salt of the hashes of other badges.  Errors as in `hash_of`."""
    first = next((h for h in others.values() if h), "")
    return _again(secret, first) if first else hash_of(secret)


def owner_of(secret: str, hashes: Mapping[str, str]) -> str | None:
    """Return the name whose hash is that of a badge's code; None if there is none.

    The code is hashed once for each different salt.  Errors as in `hash_of`.
    """
    found: dict[str, str] = {}
    owner = None
    for name, stored in hashes.items():
        if not stored:
            continue
        salted = stored.rpartition("$")[0]
        if salted not in found:
            found[salted] = _again(secret, stored)
        if hmac.compare_digest(found[salted], stored):
            owner = name
    return owner


def _hasher() -> "PasswordHasher":
    """Return the hasher with the library's parameters: the second choice of RFC 9106, section 4, 64 MiB."""
    need("argon2", _WHAT)
    from argon2 import PasswordHasher  # noqa: PLC0415 - of an extra

    return PasswordHasher()


def _again(secret: str, stored: str) -> str:
    """Return the hash of `secret` with salt and parameters of a stored hash."""
    need("argon2", _WHAT)
    from argon2 import PasswordHasher, extract_parameters  # noqa: PLC0415 - of an extra

    salt = stored.split("$")[-2]
    # The PHC string format leaves the padding of Base64 out.
    return PasswordHasher.from_parameters(extract_parameters(stored)).hash(
        secret, salt=base64.b64decode(salt + "=" * (-len(salt) % 4))
    )
