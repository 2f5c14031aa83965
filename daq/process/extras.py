"""Libraries of extras: a feature that needs one names the extra to install."""

import importlib
from typing import Final

from daq.core.errors import SettingError

EXTRAS: Final = {
    "amqtt": "demo",
    "argon2": "people",
    "cryptography": "tls",
    "fastapi": "page",
    "google.protobuf": "sparkplug",
    "jinja2": "page",
    "psycopg": "collect",
    "segno": "labels",
    "typst": "reports",
    "uvicorn": "page",
    "youplot": "page",
}
"""Extra of pyproject.toml by the library that it brings."""


def need(library: str, what: str, *, key: str = "") -> None:
    """Import a library of an extra.

    Args:
        library: module name, one of `EXTRAS`.
        what: the feature that needs it, for the error.
        key: key of a settings file that asks for the feature, for the error.

    Raises:
        SettingError: it is not installed; the error names the extra.
    """
    try:
        importlib.import_module(library)
    except ImportError as error:
        install = f"pip install 'daq-daemon[{EXTRAS[library]}]'"
        reason = f"{what} needs the library {library} ({error}); install it with: {install}"
        raise SettingError(reason, key=key) from None
