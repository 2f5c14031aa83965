"""The table ``[sparkplug]`` of the daemon's file: the daemon as a Sparkplug B edge node, beside the JSON messages."""

from typing import Annotated, Self

from pydantic import AfterValidator, Field, model_validator

from daq.methods.files.broker import SECOND, Broker
from daq.methods.files.fields import Duration, KeyedError, Model

RESERVED = "+/#"
"""Characters that no identifier may contain (Sparkplug 3.0, chapter 4: topic namespace elements)."""
SHORTEST = SECOND // 10
"""Least interval of readings, ns."""


def _identifier(value: str) -> str:
    found = [c for c in value if c in RESERVED or ord(c) < 0x20 or 0x7F <= ord(c) < 0xA0]
    if found:
        raise ValueError(f"must not contain {found[0]!r}, which has a special meaning in topics: leave it out")
    if value.strip() != value:
        raise ValueError("must not begin or end with a space, which is invisible in a topic")
    return value


Identifier = Annotated[str, Field(min_length=1, max_length=64), AfterValidator(_identifier)]


class Sparkplug(Model):
    """This daemon as a Sparkplug B edge node, its instruments as the node's devices."""

    group: Identifier
    node: Identifier
    """The pair of group and node must be unique in the whole plant."""
    host: Identifier | None = None
    """The primary host: births wait until it is online, and the node goes offline with it.  Left out: none."""
    aliases: bool = False
    """True: data messages have numbers instead of names."""
    channels: Duration | None = None
    """Interval at which each instrument's current readings are sent; left out: never."""
    broker: Broker | None = None
    """Its own broker; left out: that of [mqtt]."""

    @model_validator(mode="after")
    def _apart(self) -> Self:
        if self.group == "STATE":
            raise KeyedError("group", "must not be STATE, which names the messages of host applications")
        if self.channels is not None and self.channels < SHORTEST:
            raise KeyedError("channels", "is shorter than 100 ms: readings are sent at most ten times a second")
        return self
