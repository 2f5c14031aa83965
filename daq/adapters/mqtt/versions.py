"""The choice of the MQTT version for a broker under ``version = "auto"``.

MQTT 3.1.1 hides refused messages, so it is used only with a broker that shows that it does not support MQTT 5:

* It refuses CONNECT of MQTT 5 with the reason "unsupported protocol version": 0x84 (MQTT 5, section 3.2.2.2) or
  return code 1 (MQTT 3.1.1, section 3.2.2.3).
* It closes the connection in place of an answer to CONNECT of MQTT 5, accepts MQTT 3.1.1 directly after that, and
  closes the next connection with MQTT 5 again.  A broker that once spoke MQTT 5 is not believed on this sign.

Silence shows nothing: a broker that hangs, swaps or is stopped accepts TCP connections and does not answer.
"""

import time
from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from typing import Final, Literal, TypeVar

import aiomqtt
from aiomqtt.exceptions import MqttConnectError
from paho.mqtt.reasoncodes import ReasonCode

from daq.adapters.mqtt.client import ClosedUnansweredError

C = TypeVar("C")
Version = Literal["5", "3.1.1"]

UNSUPPORTED: Final = frozenset({1, 0x84})
"""CONNACK codes of a broker that does not support the version: 1 in MQTT 3.1.1, 0x84 in MQTT 5."""
ASK_AGAIN_S: Final = 86_400.0
"""Time (s) after which a broker that speaks MQTT 3.1.1 only is asked for MQTT 5 again: it may have been renewed."""


@dataclass(slots=True)
class SpokenVersion:
    """The version of MQTT that one broker is known to speak.

    Attributes:
        version: the version of the last accepted connection; None before the first.
        reason: why MQTT 3.1.1 is used; "" with MQTT 5.
        asked_s: monotonic time (s) of the last attempt with MQTT 5; None before the first of this process.
    """

    version: Version | None = None
    reason: str = ""
    asked_s: float | None = None


async def choose(
    attempt: Callable[[Version], Awaitable[C]], close: Callable[[C], Awaitable[None]], spoken: SpokenVersion
) -> tuple[C, Version]:
    """Return an open connection and its version; `attempt` opens one with a version, `close` closes it.

    Raises:
        aiomqtt.MqttError: no connection with MQTT 5, and no sign that the broker does not support it.
    """
    now = time.monotonic()
    if spoken.version == "3.1.1" and spoken.asked_s is not None and now - spoken.asked_s < ASK_AGAIN_S:
        try:
            return await attempt("3.1.1"), "3.1.1"
        except ClosedUnansweredError:
            pass  # perhaps renewed, and without MQTT 3.1.1; the library hides the refusal of this version
    spoken.asked_s = now
    try:
        return _speaks(spoken, await attempt("5"), "5", "")
    except MqttConnectError as error:
        if _code(error) not in UNSUPPORTED:
            raise
        reason = f"it refuses MQTT 5 as an unsupported version (code {_code(error)})"
        return _speaks(spoken, await attempt("3.1.1"), "3.1.1", reason)
    except ClosedUnansweredError:
        if spoken.version == "5":
            raise
    # The broker, or a proxy before it, may just have been restarted.  So MQTT 5 is tried again between two connections
    # with MQTT 3.1.1.
    await close(await attempt("3.1.1"))
    try:
        return _speaks(spoken, await attempt("5"), "5", "")
    except ClosedUnansweredError:
        reason = "it closes each connection with MQTT 5 without an answer, and accepts MQTT 3.1.1"
        return _speaks(spoken, await attempt("3.1.1"), "3.1.1", reason)


def _speaks(spoken: SpokenVersion, opened: C, version: Version, reason: str) -> tuple[C, Version]:
    spoken.version, spoken.reason = version, reason
    return opened, version


def _code(error: aiomqtt.MqttCodeError) -> int:
    return error.rc.value if isinstance(error.rc, ReasonCode) else int(error.rc or 0)
