"""A laboratory with people, and the helpers of all laboratories."""

import contextlib

from daq.app.laboratory.acts import carry_out
from daq.laboratory.people import ROLES
from daq.process.logins import own_login
from tests.support.laboratories import FixedClock, any_ids, at, audited, laboratory, switch_people

__all__ = ["FixedClock", "any_ids", "at", "audited", "laboratory", "staffed", "switch_people"]


@contextlib.contextmanager
def staffed(folder, **more):
    """Open a laboratory with people switched on and a person of each role.

    Their ids are the roles, their logins begin with ``at-``.
    """
    with laboratory(folder, own_login(), people=True, **more) as lab:
        carry_out(lab, "person_add", {"id": "administer", "role": "administer", "logins": ["at-administer"]})
        for role in ROLES[:-1]:
            carry_out(at(lab, "at-administer"), "person_add", {"id": role, "role": role, "logins": [f"at-{role}"]})
        yield at(lab, "at-administer")
