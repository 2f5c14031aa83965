"""The act by which a reviewer assigns a cause to a valid result outside its limits, so that it may be repeated."""

from typing import Any, Final

from daq.app.laboratory.act import Act
from daq.app.laboratory.laboratory import Laboratory, find, new
from daq.app.laboratory.named_runs import find_run
from daq.app.laboratory.samples import REOPENED, in_state
from daq.app.laboratory.signing.changed_samples import store_change
from daq.app.laboratory.signing.own_work import refuse_own
from daq.app.records.judged.judging import deciding_runs, samples_left, without_cause
from daq.core.errors import SettingError, coded
from daq.laboratory.bench.repeatcause import Cause, RepeatCause
from daq.laboratory.kinds import cause_id
from daq.laboratory.samples import Sample
from daq.methods.files.fields import Label, Model, NeededLabel


class AssignCause(Model):
    """Order to assign a cause to a run, whose id may be given as for `find_run`.

    Attributes:
        sample: the sample that waits; "" means that of the run, or the one from which a correction took it.
    """

    run: NeededLabel
    cause: Cause
    because: NeededLabel
    sample: Label = ""


def assign(laboratory: Laboratory, order: AssignCause) -> dict[str, Any]:
    """Assign a cause to the newest valid run of a sample that is outside, and open the sample again if it is done.

    Certificates of a sample that it opens again are withdrawn.

    Raises:
        SettingError: there is no such run, a repeat needs no cause, or the person measured a run that
            decides the result.
    """
    with laboratory.reader() as reader:
        run = find_run(reader, order.run)
        refuse_own(laboratory, reader, run, "the cause of a repeat")
        samples = (order.sample,) if order.sample else (run.sample, *samples_left(reader, run.id))
        needed = {sample: without_cause(reader, sample, run.method_id) for sample in samples if sample}
        sample = next((name for name, after in needed.items() if after == run.id), "")
        if not sample:
            last = next((after for after in needed.values() if after), "")
            other = f"; the newest valid run outside is {last[:8]}" if last else ""
            raise coded(
                SettingError(f"a repeat after run {run.id[:8]} needs no assigned cause{other}", key="run"),
                "no_cause_needed",
                run=run.id[:8],
            )
        # A mean is the value of each person who measured a part of it.
        for each in deciding_runs(reader, sample, run.method_id):
            refuse_own(laboratory, reader, each, "the cause of a repeat")
        kept = find(reader, Sample, sample)
        ident = run.id if find(reader, RepeatCause, run.id) is None else cause_id(run.id, sample)
    is_done = kept is not None and kept.record.state == "done"
    cause = new(RepeatCause(id=ident, sample=sample, cause=order.cause), "cause_assigned")
    if kept is None or not is_done:
        laboratory.change(cause, because=order.because)
    else:
        after = kept.record.model_copy(update={"state": "open"})
        store_change(laboratory, in_state(kept, "open", REOPENED), kept.record, after, order.because, (cause,))
    return {"run": run.id, "sample": sample, "opened": is_done}


ACTS: Final = (Act("repeat_assign", AssignCause, "review", assign),)
