"""The act by which a reviewer assigns a cause to a valid result outside its limits, so that it may be repeated."""

from typing import Any, Final

from daq.app.laboratory.act import Act
from daq.app.laboratory.laboratory import Laboratory, find, new
from daq.app.laboratory.named_runs import find_run
from daq.app.laboratory.repeats import without_cause
from daq.app.laboratory.samples import REOPENED, in_state
from daq.core.errors import SettingError
from daq.laboratory.bench.repeatcause import Cause, RepeatCause
from daq.laboratory.samples import Sample
from daq.methods.files.fields import Model, NeededLabel


class AssignCause(Model):
    """Order to assign a cause to a run, whose id may be given as for `find_run`."""

    run: NeededLabel
    cause: Cause
    because: NeededLabel


def assign(laboratory: Laboratory, order: AssignCause) -> dict[str, Any]:
    """Assign a cause to the newest valid run of a sample that is outside, and open the sample again if it is done.

    Raises:
        SettingError: there is no such run, its sample is not registered, or a repeat needs no cause.
    """
    with laboratory.reader() as reader:
        run = find_run(reader, order.run)
        kept = find(reader, Sample, run.sample)
        product = laboratory.catalogue.products.get((kept.record.product if kept else "") or run.product)
        if kept is None:
            raise SettingError(f"sample {run.sample!r} is not registered, so no cause is needed", key="run")
        needed = without_cause(reader, run.sample, product, f"{run.method_id} {run.method_version}")
    if needed != run.id:
        other = f"; the newest valid run outside is {needed[:8]}" if needed else ""
        raise SettingError(f"a repeat after run {run.id[:8]} needs no assigned cause{other}", key="run")
    changes = [new(RepeatCause(id=run.id, sample=run.sample, cause=order.cause), "cause_assigned")]
    if kept.record.state == "done":
        changes.append(in_state(kept, "open", REOPENED))
    laboratory.change(*changes, because=order.because)
    return {"run": run.id, "sample": run.sample, "opened": kept.record.state == "done"}


ACTS: Final = (Act("repeat_assign", AssignCause, "review", assign),)
