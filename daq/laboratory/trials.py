"""The order to try an instrument for which there is no driver yet."""

from typing import Final, Literal, Protocol

from pydantic import Field

from daq.methods.files.fields import Model, NeededLabel

LONGEST_CAPTURE_S: Final = 60
"""Longest time in seconds that a trial listens."""


class DriverTrial(Model):
    """Order to capture what an instrument at a free port sends, to describe it, and to check the description.

    Attributes:
        kind: name for the kind of instrument: small letters, digits and hyphens.
        port: a port that this machine lists.
        baud, data_bits, parity, stop_bits: settings of the line.
        send: request that is sent each second, escaped as in a capture; "": the trial only listens.
        end: bytes behind the request, escaped.
        seconds: time of the capture, s.
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


class Trials(Protocol):
    """The trials of a daemon; `daq.app.daemon.trials` has them."""

    def start(self, order: DriverTrial, utc_ns: int) -> str:
        """Start a trial and return its id; `SettingError` where one goes on or the port is not free."""
        ...
