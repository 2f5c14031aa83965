"""Samples and the worklist."""

import json

import pytest

from daq.adapters.store.agreement.everything import Comparison
from daq.adapters.store.agreement.stored import Stored
from daq.adapters.store.records import ChangedMeanwhileError, revisions
from daq.app.laboratory.acts import carry_out
from daq.app.laboratory.laboratory import changed
from daq.app.laboratory.lists.sample_lists import discard_due, worklist
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
        ({"id": "last"}, "names the newest run"),
        ({"id": "G-2", "product": "clear-glase"}, "did you mean 'clear-glaze'"),
        ({"id": "G-2", "bench": "bench-9"}, sentences.NO_INSTRUMENT),
        ({"id": "G-2", "sampled_at": "yesterday lunch"}, "'yesterday lunch' is no time"),
        ({"id": "G-2", "priority": 0}, "priority"),
        ({"id": "G-2", "retained": {"place": "shelf", "discard_on": "2027-02-30"}}, "no day of the calendar"),
        ({"id": "G-2", "sampled_at": "2099-01-01T00:00Z"}, "lies in the future"),
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


def test_due_times_are_sorted_as_moments_and_not_as_text(tmp_path):
    with laboratory(tmp_path) as lab:
        for ident, due in (("second", "2026-11-27T07:30+00:00"), ("first", "2026-11-27T08:00+01:00")):
            carry_out(lab, "sample_add", {"id": ident, "due": due})
        with lab.reader() as reader:
            assert [k.record.id for k in worklist(reader)] == ["first", "second"]
            assert [k.record.id for k in worklist(reader, limit=1)] == ["first"]


def test_a_change_keeps_the_state_before_it_and_names_its_reason(tmp_path):
    with laboratory(tmp_path) as lab:
        carry_out(lab, "sample_add", {"id": "G-1", "lot": "7", "remark": "foam"})
        order = {"id": "G-1", "lot": "8", "remark": "", "sampled_at": "2025-10-09T08:20+00:00", "because": "read again"}
        carry_out(lab, "sample_change", order)
        kept = lab.get(Sample, "G-1")
        assert (kept.record.lot, kept.record.remark, kept.record.sampled_at) == ("8", "", "2025-10-09T08:20+00:00")
        assert (kept.what, kept.because, kept.revision) == ("sample_changed", "read again", 2)
        with lab.reader() as reader:
            assert [r.data["lot"] for r in revisions(reader, "sample", "G-1")] == ["7", "8"]


@pytest.mark.parametrize(
    ("order", "expected"),
    [
        ({"lot": "7"}, "has these values already"),
        ({}, "has these values already"),
        ({"product": "clear-glase"}, "did you mean 'clear-glaze'"),
        ({"bench": "bench-9"}, sentences.NO_INSTRUMENT),
        ({"sampled_at": "2099-01-01T00:00Z"}, "lies in the future"),
        ({"due": "soon"}, "'soon' is no time"),
        ({"discard_on": "2027-03-31"}, "is missing: the place"),
        ({"retain": "shelf 3", "discard_on": "2027-02-30"}, "no day of the calendar"),
        ({"retain": "shelf 3", "discard_on": "soon"}, "no day of the calendar"),
        ({"discarded": True}, "no part of this sample is retained"),
        ({"priority": 10}, "priority"),
        ({"lot": "8", "because": ""}, "because: must not be empty"),
        ({"id": "G-9"}, "there is no sample 'G-9'"),
    ],
)
def test_a_wrong_change_is_refused_and_changes_nothing(tmp_path, order, expected):
    with laboratory(tmp_path) as lab:
        carry_out(lab, "sample_add", {"id": "G-1", "lot": "7"})
        with pytest.raises(SettingError, match=expected):
            carry_out(lab, "sample_change", {"id": "G-1", "because": "read again"} | order)
        with lab.reader() as reader:
            assert len(reader.audit()) == 1


def test_retained_parts_are_listed_from_their_day_on_until_they_are_discarded(tmp_path):
    with laboratory(tmp_path) as lab:
        for ident, day in (("old", "2026-03-31"), ("due", "2026-11-26"), ("later", "2026-11-27"), ("never", None)):
            carry_out(lab, "sample_add", {"id": ident, "retained": {"place": "shelf 3", "discard_on": day}})

        def due(day):
            with lab.reader() as reader:
                return [k.record.id for k in discard_due(reader, day)]

        assert due("2026-11-26") == ["old", "due"]
        carry_out(lab, "sample_change", {"id": "old", "discarded": True, "because": "discarded"})
        assert due("2026-11-26") == ["due"]
        carry_out(lab, "sample_change", {"id": "due", "discard_on": "2027-01-01", "because": "complaint"})
        assert due("2026-11-26") == []
        assert lab.get(Sample, "due").record.retained.place == "shelf 3"
        carry_out(lab, "sample_change", {"id": "never", "retain": "shelf 4", "because": "moved"})
        assert lab.get(Sample, "never").record.retained.discard_on is None
