"""The audit entries of a connection: each change once."""

import pytest

from daq.app.run.link_audit import LinkAudit
from daq.core.driver import Identity
from daq.core.linkstates import Motor

FIRST, SECOND = Identity("bench", "R-1", "1.0"), Identity("bench", "R-2", "1.0")


@pytest.fixture
def entries():
    return []


@pytest.fixture
def audit(entries):
    return LinkAudit("bench-1", lambda what, subject, detail: entries.append((what, subject, detail)))


def test_a_stop_that_is_never_confirmed_gives_one_entry_until_it_is(audit, entries):
    for motor in (Motor.IN_DOUBT, Motor.IN_DOUBT, Motor.STILL, Motor.IN_DOUBT):
        audit.stop_over(motor)
    assert [what for what, _, _ in entries] == ["stop_not_confirmed", "motor_stopped", "stop_not_confirmed"]
    assert {subject for _, subject, _ in entries} == {"bench-1"}


def test_an_exchange_is_found_over_a_connection_without_identity(audit, entries):
    for found in (None, FIRST, FIRST, None, SECOND, SECOND):
        audit.identified(found)
    assert entries == [("instrument_exchanged", "bench-1", {"before": "R-1", "now": "R-2"})]
