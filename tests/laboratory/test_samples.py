"""Samples and the worklist."""

import json

import pytest

from daq.adapters.store.agreement.everything import Comparison
from daq.adapters.store.agreement.stored import Stored
from daq.adapters.store.records import ChangedMeanwhileError, revisions
from daq.app.laboratory.acts import carry_out
from daq.app.laboratory.laboratory import changed
from daq.app.laboratory.samples import worklist
from daq.core.errors import SettingError
from daq.laboratory.samples import Sample
from tests.laboratory.parts import laboratory
from tests.support import sentences


def test_a_sample_is_stored_with_its_audit_entry_and_found(tmp_path):
    with laboratory(tmp_path) as lab:
        carry_out(lab, "sample_add", {"id": "G-1042", "product": "clear-glaze", "lot": "2211"})
        kept = lab.get(Sample, "G-1042")
        assert (kept.record.product, kept.revision, kept.who, kept.what) == (
            "clear-glaze",
            1,
            "m.keeper",
            "sample_added",
        )
        carry_out(lab, "sample_cancel", {"id": "G-1042", "because": "spilled"})
        with lab.reader() as reader:
            assert worklist(reader) == []
            assert [(r.revision, r.data["state"], r.because) for r in revisions(reader, "sample", "G-1042")] == [
                (1, "open", ""), (2, "cancelled", "spilled"),
            ]  # fmt: skip
            assert [json.loads(e.detail)["record"]["revision"] for e in reader.audit()] == [1, 2]
    with Stored(tmp_path / "daq.db") as stored:
        assert [d.text for d in Comparison().of(stored)] == []


@pytest.mark.parametrize(
    ("order", "expected"),
    [
        ({"id": ""}, "id: must not be empty"),
        ({"id": "G-1"}, "there is a sample 'G-1' already"),
        ({"id": "G-2", "product": "clear-glase"}, "did you mean 'clear-glaze'"),
        ({"id": "G-2", "bench": "bench-9"}, sentences.NO_INSTRUMENT),
        ({"id": "G-2", "sampled_at": "yesterday lunch"}, "'yesterday lunch' is no time"),
        ({"id": "G-2", "priority": 0}, "priority"),
        ({"id": "G-2", "rework": {"of": "G-9", "added": "water"}}, "there is no sample 'G-9'"),
        ({"id": "G\x00"}, "control character"),
        ({"id": "G-2", "colour": "red"}, "colour: is not a known key"),
    ],
)
def test_a_wrong_order_is_refused_and_changes_nothing(tmp_path, order, expected):
    with laboratory(tmp_path) as lab:
        carry_out(lab, "sample_add", {"id": "G-1"})
        with pytest.raises(SettingError, match=expected):
            carry_out(lab, "sample_add", order)
        with lab.reader() as reader:
            assert len(reader.audit()) == 1


def test_the_worklist_is_sorted_by_priority_and_due_time_and_shows_what_the_bench_can_take(tmp_path):
    with laboratory(tmp_path) as lab:
        for ident, more in (
            ("late", {"due": "2026-11-27T09:00+01:00"}), ("soon", {"due": "2026-11-27T08:00+01:00"}), ("none", {}),
            ("first", {"priority": 1}), ("other", {"bench": "balance-1"}), ("mine", {"bench": "bench-1"}),
        ):  # fmt: skip
            carry_out(lab, "sample_add", {"id": ident} | more)
        with lab.reader() as reader:
            assert [k.record.id for k in worklist(reader, "bench-1")] == ["first", "soon", "late", "mine", "none"]
            assert [k.record.id for k in worklist(reader)] == ["first", "soon", "late", "none"]


def test_a_change_from_an_old_revision_is_refused(tmp_path):
    with laboratory(tmp_path) as lab:
        carry_out(lab, "sample_add", {"id": "G-1"})
        seen = lab.get(Sample, "G-1")
        lab.change(changed(seen, seen.record.model_copy(update={"lot": "7"}), "sample_changed"))
        with pytest.raises(ChangedMeanwhileError, match="changed by someone else"):
            lab.change(changed(seen, seen.record.model_copy(update={"lot": "8"}), "sample_changed"))
        assert lab.get(Sample, "G-1").record.lot == "7"
