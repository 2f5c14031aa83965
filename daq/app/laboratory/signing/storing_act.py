"""The act that stores the reportable results of a sample anew, for samples of before or after a kill."""

from typing import Any, Final

from daq.app.laboratory.act import Act
from daq.app.laboratory.laboratory import Laboratory
from daq.app.laboratory.signing.reportable_records import Keeping
from daq.app.records.judged.judging import tried_of_sample
from daq.core.errors import SettingError, coded
from daq.methods.files.fields import Model, NeededLabel


class StoreReportable(Model):
    """Order to store the reportable results of a sample, where they have changed."""

    sample: NeededLabel


def store_reportable(laboratory: Laboratory, order: StoreReportable) -> dict[str, Any]:
    """Store the reportable results of a sample that have changed, and return their ids.

    The daemon does the same after each result, correction and annulment.

    Raises:
        SettingError: the sample has no run.
    """
    with laboratory.reader() as reader:
        if not tried_of_sample(reader, order.sample):
            raise coded(
                SettingError(f"there is no run of sample {order.sample!r}", key="sample"),
                "sample_without_runs",
                sample=order.sample,
            )
    keeping = Keeping(laboratory.store, laboratory.topics, laboratory.clock.utc_ns(), laboratory.who)
    return {"stored": keeping.store_of_samples([order.sample])}


ACTS: Final = (Act("reportable_store", StoreReportable, "measure", store_reportable),)
