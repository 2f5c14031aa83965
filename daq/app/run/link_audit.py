"""Audit entries of an instrument's connection: exchanged instruments, stops of a motor, a torque off its zero."""

from collections.abc import Callable
from typing import Any

import structlog

from daq.core.driver import Identity
from daq.core.linkeffects import TorqueOffZero
from daq.core.linkstates import Motor

log = structlog.get_logger()

Audit = Callable[[str, str, dict[str, Any]], None]
"""Takes (what, subject, detail) of an entry."""


class LinkAudit:
    """Writes the audit entries of one connection, each change once."""

    def __init__(self, name: str, audit: Audit) -> None:
        self._name, self._audit = name, audit
        self._known: Identity | None = None
        self._doubt_audited = False

    def identified(self, found: Identity | None) -> None:
        """Take the identity of the instrument that is ready now; an exchanged instrument gives an entry."""
        before = self._known
        if found is not None and before is not None and (found.kind, found.serial) != (before.kind, before.serial):
            self._audit("instrument_exchanged", self._name, {"before": before.serial, "now": found.serial})
        self._known = found or before

    def stop_over(self, motor: Motor) -> None:
        """Take the state of the motor after a stop; a stop that is not confirmed again and again gives one entry."""
        still = motor is Motor.STILL
        if still or not self._doubt_audited:
            why = {"why": "the motor's state was unknown"}
            self._audit("motor_stopped" if still else "stop_not_confirmed", self._name, why)
        self._doubt_audited = not still

    def torque_off_zero(self, found: TorqueOffZero) -> str:
        """Write the entry of a torque that stays off its zero at rest, and return a sentence about it."""
        self._audit("torque_at_rest", self._name, {"torque": found.torque, "zero": found.zero})
        log.warning("torque at rest", instrument=self._name, torque=found.torque, zero=found.zero)
        at = "has no value" if found.torque is None else f"stays at {found.torque:.3g}"
        return (
            f"by its speed the motor is at rest, but the torque {at} (at rest before the run: {found.zero:.3g}); "
            "the sample holds the rotor, or the speed is wrong: check the rotor before you touch it"
        )
