"""Two acts at the same moment: one is carried out whole before a transaction of the other, in every place and order.

After both, no certificate and no release outlives the result that it states, and the messages agree with that.
"""

import contextlib
import os
import shutil
from dataclasses import replace
from functools import cache

import pytest

from daq.adapters.store.backup import backup
from daq.adapters.store.records import found_by
from daq.app.laboratory import acts
from daq.app.laboratory.signing.suspending import suspending
from daq.app.records.signatures import Releases, digest_of_parts, parts_of_record, parts_of_run
from daq.core.errors import DaqError
from daq.laboratory.kinds import LAST
from daq.laboratory.reportables import ReportableRecord
from daq.laboratory.reports import WITHDRAWABLE, Report
from daq.laboratory.signing import Signature
from tests.support.laboratories import switch_people
from tests.support.runs.full_database import TOPICS
from tests.support.signed_laboratories import SAMPLES, measured_bench, signing_lab, signing_lab_at, verify

SAMPLE = "G-1042"
IDENT = f"{SAMPLE}/clear-glaze-qc"


class Before:
    """A store that carries out another act before one of its transactions."""

    def __init__(self, store, number, act):
        self._store, self._left, self._act = store, number, act
        self.taken = 0

    def __getattr__(self, name):
        return getattr(self._store, name)

    def submit(self, transaction):
        self.taken += 1
        if self._left == 0 and self._act is not None:
            act, self._act = self._act, None
            act()
        self._left -= 1
        return self._store.submit(transaction)


def certificate(lab, of):
    return lab.do("certificate_release", of=of)


def released_certificate(lab):
    ident = certificate(lab, SAMPLE)["id"]
    lab.sign(ident, of="report")


def failed(lab):
    fails(lab.lab.store)


def fails(store, run="failed"):
    verify(store, run, passed=False, follow=suspending(TOPICS, "bench-1", 0, "m.keeper"))


def decided(lab, decision):
    lab.do("doubt_decide", run=lab.runs[1], verification="failed", decision=decision, because="measured again")


def measured(lab):
    """Measure another filling of the sample, and do what follows from it."""
    state = lab.lab.store.path.parent
    replace(lab.bench, state=state).measure(SAMPLE, fill="2", simulated=False)
    lab.keep(SAMPLE)


ACTS = {
    "correct": lambda lab: lab.correct(lab.runs[1], lot="L9"),
    "take away": lambda lab: lab.correct(lab.runs[1], sample="G-9"),
    "join": lambda lab: lab.correct(lab.runs[0], sample=SAMPLE),
    "annul": lambda lab: lab.do("run_annul", person="c.head", run=lab.runs[1], because="a bubble"),
    "measure": measured,
    "certificate of the run": lambda lab: certificate(lab, lab.runs[1]),
    "certificate of the sample": lambda lab: certificate(lab, SAMPLE),
    "release the run": lambda lab: lab.sign(lab.runs[1]),
    "release the value": lambda lab: lab.sign(IDENT, of="reportable"),
    "release a certificate": released_certificate,
    "reject": lambda lab: lab.sign(lab.runs[1], meaning="rejected", because="a bubble", person="b.lind"),
    "fail": failed,
    "uphold": lambda lab: decided(lab, "upheld"),
    "doubt": lambda lab: decided(lab, "uncertain"),
}


def unsigned(lab):
    """People are switched off: certificates need no release."""


def signed(lab):
    """The run and its value are released, and a certificate of each."""
    lab.sign(lab.runs[1])
    lab.sign(IDENT, of="reportable")
    for of in (SAMPLE, lab.runs[1]):
        lab.sign(certificate(lab, of)["id"], of="report")


def in_doubt(lab):
    """All that is released, and a verification failed after it."""
    signed(lab)
    failed(lab)


STATES = {s.__name__: s for s in (unsigned, signed, in_doubt)}


@pytest.fixture(scope="module")
def prepared(tmp_path_factory, cheap_module):
    """Returns the laboratory and a database in a state, by its name; each is made once."""
    folder = tmp_path_factory.mktemp("prepared")
    bench, runs = measured_bench(folder / "measured")

    @cache
    def of(name):
        with signing_lab(bench, runs, folder / name) as lab:
            lab.keep(*SAMPLES)
            switch_people(lab.lab.catalogue, on=name != "unsigned")
            STATES[name](lab)
            lab.bench = bench
            backup(lab.lab.store.path, folder / f"{name}.db")
            return lab, folder / f"{name}.db"

    return of


@contextlib.contextmanager
def opened(prepared, state, folder):
    lab, path = prepared(state)
    folder.mkdir()
    with signing_lab_at(lab, shutil.copy(path, folder / "daq.sqlite")) as found:
        found.bench = lab.bench
        yield found


def carried_out(act, lab, number=-1, between=None):
    """Carry out an act, another one before its transaction `number`; return the number of its transactions."""
    store = Before(lab.lab.store, number, between)
    other = replace(lab, lab=replace(lab.lab, store=store))
    other.bench = lab.bench
    with contextlib.suppress(DaqError):
        act(other)
    return store.taken


def stored(reader, kind):
    rows = reader.query("SELECT DISTINCT id FROM records WHERE kind = ?", [kind.kind])
    found = [reader.query("SELECT data FROM records WHERE kind = ? AND id = ? ORDER BY revision DESC LIMIT 1",
                          [kind.kind, r["id"]]) for r in rows]  # fmt: skip
    return [kind.model_validate_json(rows[0]["data"], strict=False) for rows in found]


def wrong(lab):
    """Return what is not as it must be after both acts."""
    lab.keep(*SAMPLES, "G-9")
    out = lab.disagreements()
    with lab.lab.reader() as reader:
        values = {v.id: v for v in stored(reader, ReportableRecord)}
        for report in stored(reader, Report):
            if report.state != "released" or report.form not in WITHDRAWABLE:
                continue
            if any(reader.newest_result(s.run).id != s.result for s in report.shown):
                out.append(f"a certificate of {report.of} states a superseded result")
            if report.sample:
                value = values[f"{report.sample}/clear-glaze-qc"]
                counted = {(a.run, a.result) for a in value.data.attempts if a.counted}
                if {(s.run, s.result) for s in report.shown} != counted:
                    out.append(f"a certificate of {report.of} does not state the value of the sample")
                # It was made of this revision, and not of one before.
                made = found_by(reader, Report.kind, "id", report.id, report.id + LAST)[0].audit_seq
                if made < found_by(reader, ReportableRecord.kind, "sample", report.sample)[0].audit_seq:
                    out.append(f"a certificate of {report.of} is older than the value of the sample")
        out += [*signatures_that_outlive(reader), *unknown_to_subscribers(lab, reader)]
    return out


def signatures_that_outlive(reader):
    for s in stored(reader, Signature):
        if s.state == "in_force" and s.meaning != "rejected":
            of_run = s.of == "run"
            parts = (
                parts_of_run(reader, reader.newest_result(s.subject))
                if of_run
                else parts_of_record(reader, s.of, s.subject)
            )
            if digest_of_parts(parts) != s.digest:
                yield f"a signature ({s.meaning}) of {s.of} {s.subject} outlives what it covers"


def unknown_to_subscribers(lab, reader):
    """Yield what a subscriber who takes the greatest revision of each signature knows otherwise."""
    releases, known, revisions = Releases(reader), {}, set()
    for event in lab.messages("signature"):
        data = event["data"]
        key = data["signature"], data["revision"]
        if key in revisions:
            yield f"two messages of {data['of']} {data['subject']} have the revision {data['revision']}"
        revisions.add(key)
        if data["revision"] > known.get(data["signature"], {"revision": 0})["revision"]:
            known[data["signature"]] = data
    reports = {r.id: r for r in stored(reader, Report)}
    for s in stored(reader, Signature):
        runs = [s.subject] if s.of == "run" else []
        if s.of == "reportable":
            (value,) = [v for v in stored(reader, ReportableRecord) if v.id == s.subject]
            runs = [a.run for a in value.data.attempts if a.counted]
        if s.of == "report":
            runs = [shown.run for shown in reports[s.subject].shown]
        blocked = s.meaning == "released" and any(releases.failures(reader.run(run)) for run in runs)
        holds = s.state == "in_force" and not blocked
        data = known[s.id]
        if (data["state"] == "in_force") != holds or bool(data["suspended"]) != (s.state == "in_force" and blocked):
            yield f"a subscriber knows {data['state']} {data['suspended']} of {s.meaning} {s.of} {s.subject}: {s.state} {blocked}"


def sweep(state, first, second, prepared, tmp_path):
    """Return what is wrong in each place where the second act can come."""
    out, taken = {}, 1
    number = 0
    while number < taken:
        with opened(prepared, state, tmp_path / f"{first} {second} {number}") as lab:

            def between(lab=lab):
                with contextlib.suppress(DaqError):
                    ACTS[second](lab)

            taken = max(taken, carried_out(ACTS[first], lab, number, between))
            if found := wrong(lab):
                out[first, second, number] = found
        number += 1
    return out


@pytest.fixture(autouse=True)
def _at_the_same_time(monkeypatch):
    """A daemon carries out one act at a time; the results of runs, and another process, do not wait for it."""
    monkeypatch.setattr(acts, "_ONE_AT_A_TIME", contextlib.nullcontext())


QUICK = [
    ("unsigned", "correct", "certificate of the run"),
    ("unsigned", "certificate of the sample", "correct"),
    pytest.param("signed", "fail", "release the run", marks=pytest.mark.slow),
]
OF_DOUBT = ("uphold", "doubt")
"""Acts that are refused without a failed verification."""


def acts_of(state):
    return [name for name in ACTS if state == "in_doubt" or name not in OF_DOUBT]


@pytest.mark.slow
@pytest.mark.parametrize(("state", "first", "second"), QUICK)
def test_a_certificate_or_release_never_outlives_what_it_states(state, first, second, prepared, tmp_path):
    assert sweep(state, first, second, prepared, tmp_path) == {}


@pytest.mark.slow
@pytest.mark.parametrize(("state", "first"), [(state, first) for state in STATES for first in acts_of(state)])
def test_no_two_acts_leave_a_certificate_or_release_behind(state, first, prepared, tmp_path):
    """Every third pair; `DAQ_WHOLE_SWEEPS` in the environment takes all."""
    out, every = {}, acts_of(state)
    for number, second in enumerate(every, list(every).index(first)):
        if number % 3 == 0 or os.environ.get("DAQ_WHOLE_SWEEPS"):
            out |= sweep(state, first, second, prepared, tmp_path)
    assert out == {}
