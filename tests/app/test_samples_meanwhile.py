"""A sample that is changed while its run is being started: the run does not start with what the sample was before."""

import pytest

from daq.adapters.store.declaring.beginning import BeginConfigured
from daq.adapters.store.transactions import RegisterMethod, SeeInstrument
from daq.app.laboratory.acts import carry_out
from daq.app.laboratory.laboratory import find
from daq.app.laboratory.samples import in_state
from daq.core.errors import SettingError
from daq.laboratory.samples import Sample
from tests.support.file_bench import FileBench

pytestmark = [pytest.mark.asyncio, pytest.mark.slow]

CHANGES = {
    "another lot": lambda lab, sample: carry_out(
        lab, "sample_change", {"id": sample, "lot": "2212", "because": "typo"}
    ),
    "no product": lambda lab, sample: carry_out(lab, "sample_change", {"id": sample, "product": "", "because": "typo"}),
    "a remark": lambda lab, sample: carry_out(lab, "sample_change", {"id": sample, "remark": "hot", "because": "hot"}),
    "cancelled": lambda lab, sample: carry_out(lab, "sample_cancel", {"id": sample, "because": "spilled"}),
    "done": lambda lab, sample: lab.change(in_state(lab.get(Sample, sample), "done", "sample_done")),
    "registered": lambda lab, sample: carry_out(lab, "sample_add", {"id": sample, "product": "glaze", "lot": "2211"}),
}


@pytest.mark.parametrize("change", CHANGES)
async def test_a_sample_changed_before_any_commit_of_the_start_refuses_the_run_and_the_next_start_sees_it(
    tmp_path, monkeypatch, change
):
    """The change comes before each transaction of the start in turn."""
    async with FileBench(tmp_path) as bench:
        lab, commit = bench.supervisor.laboratory("m.keeper"), bench.supervisor.store.commit
        for before in (SeeInstrument, RegisterMethod, BeginConfigured):
            sample = f"S-{before.__name__}"
            if change != "registered":
                carry_out(lab, "sample_add", {"id": sample, "product": "glaze", "lot": "2211"})

            async def meanwhile(transaction, sample=sample, before=before):
                if isinstance(transaction, before):
                    CHANGES[change](lab, sample)
                return await commit(transaction)

            with monkeypatch.context() as patch:
                patch.setattr(bench.supervisor.store, "commit", meanwhile)
                with pytest.raises(SettingError, match="was changed while the run was being started") as refused:
                    await bench.begin_on(sample=sample)
            assert refused.value.key == "sample"
            assert bench.supervisor.runs == {}
            with bench.supervisor.store.reader() as reader:
                assert reader.runs(limit=-1) == []
                now = find(reader, Sample, sample).record
            if now.state == "open" and before is BeginConfigured:
                outcome = await (await bench.begin_on(sample=sample)).task
                stated = bench.result(outcome.run_id)["sample"]
                assert (stated["product"] or "", stated["lot"] or "") == (now.product, now.lot)
