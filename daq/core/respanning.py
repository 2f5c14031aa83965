"""Compute the kept values of a journal again with other derivations, over the spans of the run.

The pipeline runs over the recorded events with the plan of the run, so that every step, span and event is the recorded
one.  The other derivations are added under names of their own, and replace those of the run in each kept value.
"""

from collections.abc import Sequence
from dataclasses import replace
from typing import Final

from daq.core.effects import Kept
from daq.core.errors import JournalError
from daq.core.journal import read_records
from daq.core.plan import Derivation
from daq.core.replay import MakeDriver, pipeline_of

_MARK: Final = "declared "
"""Begins the names of the other derivations while they are computed; no signal of a file begins with it."""


def kept_with(raw: bytes, make_driver: MakeDriver, derivations: Sequence[Derivation]) -> list[Kept]:
    """Return the kept values of the journal `raw` (all blocks joined) with `derivations` in place of the plan's.

    Raises:
        JournalError: the journal is damaged or has no header.
        SettingError: a driver of the run is not installed.
    """
    records = iter(read_records(raw))
    header = next(records).header
    if header is None:
        raise JournalError("the journal does not begin with its header", record=0)
    own = frozenset(d.name for d in header.plan.derivations)
    added = tuple(_marked(d, frozenset(x.name for x in derivations)) for d in derivations)
    plan = replace(header.plan, derivations=(*header.plan.derivations, *added))
    pipeline = pipeline_of(replace(header, plan=plan), make_driver)
    for record in records:
        if record.event is not None:
            pipeline.step((record.event,))
    return [_renamed(kept, own) for kept in pipeline.facts().kept]


def _marked(d: Derivation, names: frozenset[str]) -> Derivation:
    return replace(d, name=_MARK + d.name, inputs=tuple(_MARK + x if x in names else x for x in d.inputs))


def _renamed(kept: Kept, own: frozenset[str]) -> Kept:
    found = {k.removeprefix(_MARK): v for k, v in kept.summaries.items() if k not in own}
    return replace(kept, summaries=found)
