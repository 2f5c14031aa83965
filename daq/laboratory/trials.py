"""The order to try an instrument for which there is no driver yet."""

from collections.abc import Callable
from typing import Final, Literal, Protocol

from pydantic import Field

from daq.methods.files.fields import Model, NeededLabel

LONGEST_CAPTURE_S: Final = 60
"""Longest time in seconds that a trial listens."""
LONGEST_DESCRIPTION: Final = 64 * 1024
"""Greatest length of a description, characters."""


class DriverTrial(Model):
    """Order to capture what an instrument at a free port sends, to describe it, and to check the description.

    Attributes:
        kind: name for the kind of instrument: small letters, digits and hyphens.
        port: a port that this machine lists.
        baud, data_bits, parity, stop_bits: settings of the line.
        send: request that is sent each second, escaped as in a capture; "": the trial only listens.
        end: bytes behind the request, escaped.
        seconds: time of the capture, s.
        description: a corrected description, which is checked instead of one from the capture; "": there is none.
        captured: the lines of the trial before are used, and no port is opened; it needs a description.
        of: id of the trial before, as the person saw it, for `captured`; "": the newest one, whichever that is.
    """

    kind: str = Field(max_length=40, pattern=r"^[a-z][a-z0-9]*(-[a-z0-9]+)*$")
    port: NeededLabel
    baud: int = Field(default=9600, ge=50, le=4_000_000)
    data_bits: Literal[7, 8] = 8
    parity: Literal["N", "E", "O"] = "N"
    stop_bits: Literal[1, 2] = 1
    send: str = Field(default="", max_length=100)
    end: str = Field(default=r"\r\n", max_length=20)
    seconds: int = Field(default=10, ge=1, le=LONGEST_CAPTURE_S)
    description: str = Field(default="", max_length=LONGEST_DESCRIPTION)
    captured: bool = False
    of: str = Field(default="", max_length=40)


class Trials(Protocol):
    """The trials of a daemon; `daq.app.daemon.trials` has them."""

    def start(self, order: DriverTrial, utc_ns: int, audited: Callable[[str], None]) -> str:
        """Start a trial and return its id; `SettingError` where one goes on or the port is not free.

        `audited` stores the trial of an id in the audit trail, and is called before anything is started.
        """
        ...
