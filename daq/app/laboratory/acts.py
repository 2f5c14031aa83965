"""The table of all acts.  The control socket and the command line carry out an act by its name."""

import threading
from collections.abc import Mapping
from dataclasses import replace
from typing import Any, Final

from daq.app.laboratory import corrections, fitting, notes, people, samples
from daq.app.laboratory.act import Act
from daq.app.laboratory.bench import assigning, bench_acts, handing_over
from daq.app.laboratory.equipment import serving, transcribing, trial_act
from daq.app.laboratory.given import NOTHING_GIVEN, Given
from daq.app.laboratory.identity import acting
from daq.app.laboratory.laboratory import Laboratory
from daq.app.laboratory.lists import fixing_limits, importing
from daq.app.laboratory.programs import tokens
from daq.app.laboratory.reporting import making
from daq.app.laboratory.retention import archive_acts
from daq.app.laboratory.signing import changing_samples, sign_acts, storing_act
from daq.core.errors import NotAllowedError, SettingError, coded
from daq.methods.files.load import parse

ACTS: Final[dict[str, Act[Any]]] = {
    act.name: act
    for act in (
        *samples.ACTS,
        *changing_samples.ACTS,
        *importing.ACTS,
        *people.ACTS,
        *tokens.ACTS,
        *fitting.ACTS,
        *corrections.ACTS,
        *notes.ACTS,
        *fixing_limits.ACTS,
        *making.ACTS,
        *archive_acts.ACTS,
        *sign_acts.ACTS,
        *storing_act.ACTS,
        *serving.ACTS,
        *transcribing.ACTS,
        *trial_act.ACTS,
        *assigning.ACTS,
        *bench_acts.ACTS,
        *handing_over.ACTS,
    )
}
_ONE_AT_A_TIME: Final = threading.Lock()


def carry_out(
    laboratory: Laboratory, name: str, order: Mapping[str, Any], given: Given = NOTHING_GIVEN
) -> dict[str, Any]:
    """Carry out an act, and return its outcome as JSON values.

    Acts run one after another, so that a check of one holds until its change is stored: two persons who administer
    cannot lock each other at the same time.

    Args:
        laboratory: the records, for one login.
        name: name of the act.
        order: its values.
        given: badge, person and password, or ticket; without them the login alone identifies.

    Raises:
        SettingError, SettingErrors: there is no such act, the order is wrong, or the person may not do this; nothing
            has changed.
        StoreError: the change could not be stored.
    """
    act = ACTS.get(name)
    if act is None:
        raise SettingError(f"there is no act {name!r}; known: {', '.join(ACTS)}", key="act")
    checked = parse(act.order, dict(order))
    with _ONE_AT_A_TIME:
        who = acting(laboratory, act.name, act.role, given, always=act.always)
        if who.client and not act.clients:
            error = NotAllowedError(f"{act.name} is the act of a person; {who.client} is a program with a token")
            raise coded(error, "person_only", client=who.client)
        return act.do(replace(laboratory, identified=who, badge=given.badge, ticket=given.ticket), checked)
