"""A certificate of a sample is withdrawn in the transaction that stores a newer reportable result of it."""

from dataclasses import replace

import pytest

from daq.adapters.store.records import found_by
from daq.adapters.store.transactions import Audit
from daq.app.laboratory.reporting import making
from daq.app.laboratory.reporting.typesetting import typeset
from daq.app.laboratory.signing.reportable_records import BECAUSE, Keeping
from daq.core.errors import StoreError
from daq.laboratory.reportables import ReportableRecord
from daq.laboratory.reports import Report

SAMPLE = "G-1043"


def keep(lab):
    """Do what the daemon does after a result; return the names of the changes of its transaction."""
    own = lab.lab
    with own.reader() as reader:
        before = len(reader.audit())
    Keeping(own.store, own.topics, own.clock.utc_ns(), "daemon").store_of_samples([SAMPLE])
    with own.reader() as reader:
        return [e.what for e in reader.audit()[before:]]


def states(lab):
    with lab.lab.reader() as reader:
        found = found_by(reader, Report.kind, "sample", SAMPLE)
        return {s.data["of"] + s.id: (s.data["state"], s.because) for s in found}


@pytest.mark.parametrize(
    "about",
    [
        {"fill": "2"},
        pytest.param({"fill": "1"}, marks=pytest.mark.slow),
        pytest.param({"fill": "2", "stop_after_s": 1.0}, marks=pytest.mark.slow),
    ],
    ids=str,
)
def test_a_further_run_withdraws_the_certificate_of_its_sample(measured, lab, about):
    """Also a run that does not count: the certificate does not list that attempt."""
    state = lab.lab.store.path.parent
    first, _ = lab.certificate(SAMPLE)
    of_run, _ = lab.certificate(lab.runs[1])
    other, _ = lab.certificate("G-1042")
    assert (keep(lab), states(lab)) == ([], {SAMPLE + first["id"]: ("released", "")})
    replace(measured[0], state=state).measure(SAMPLE, **about)
    is_valid = "stop_after_s" not in about
    assert keep(lab) == ["reportable_stored", *["report_withdrawn"] * (1 + is_valid)]
    assert states(lab) == {SAMPLE + first["id"]: ("withdrawn", BECAUSE)}
    with lab.lab.reader() as reader:
        # That of a single run hides a further valid result; that of another sample states what it did.
        for made, gone in ((of_run, is_valid), (other, False)):
            (stored,) = found_by(reader, Report.kind, "id", made["id"])
            assert stored.data["state"] == ("withdrawn" if gone else "released")
    again, _ = lab.certificate(SAMPLE)
    assert (again["id"] != first["id"], keep(lab)) == (True, [])
    assert states(lab)[SAMPLE + again["id"]] == ("released", "")


def test_a_certificate_states_the_stored_value_also_before_the_daemon_stored_it(lab):
    """A person is faster than the daemon.  A new version of the product changes nothing about the sample."""
    product = lab.lab.catalogue.products["clear-glaze"]
    for digits in (3, 2):
        changed = product.model_copy(update={"reported_digits": digits, "version": str(digits)})
        lab.lab.catalogue.products["clear-glaze"] = changed
        made, _ = lab.certificate(SAMPLE)
        assert keep(lab) == []
        assert states(lab)[SAMPLE + made["id"]] == ("released", "")
        with lab.lab.reader() as reader:
            (value,) = found_by(reader, ReportableRecord.kind, "sample", SAMPLE)
        assert value.revision == 1


class Busy:
    """A store to which something else is stored before each transaction."""

    def __init__(self, store, clock, times):
        self._store, self._clock, self._left = store, clock, times

    def __getattr__(self, name):
        return getattr(self._store, name)

    def submit(self, transaction):
        if self._left:
            self._left -= 1
            self._store.submit(Audit(self._clock.utc_ns(), "m.keeper", "note", "bench-1")).result()
        return self._store.submit(transaction)


def test_a_report_is_read_again_while_records_are_stored_and_refused_where_that_does_not_end(lab, monkeypatch):
    set_pages = []
    monkeypatch.setattr(making, "TRIES", 2)
    monkeypatch.setattr(making, "typeset", lambda *page: set_pages.append(page) or typeset(*page))
    own = lab.lab
    for times, done in ((making.TRIES - 1, True), (making.TRIES, False)):
        lab.lab = replace(own, store=Busy(own.store, own.clock, times))
        if done:
            assert lab.do("certificate_release", of="G-1042")["number"]
        else:
            with pytest.raises(StoreError, match="all the time; repeat it in a moment"):
                lab.do("certificate_release", of=lab.runs[1])
    # The file of a page is made once, however often the page is read.
    assert len(set_pages) == 2
    with own.reader() as reader:
        assert found_by(reader, Report.kind, "run", lab.runs[1]) == []
