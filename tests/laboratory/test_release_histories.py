"""Whole histories of a laboratory, at random: may a result be released now, and as what was it published last?

Runs, verifications, controls, their corrections, corrections and annulments of runs, decisions and signatures come in
any order.  After each the answers are compared with a model that knows the order of the things only.
"""

import json
import random
from dataclasses import dataclass, field, replace
from functools import partial

import pytest

from daq.adapters.store.declaring.correcting import Correct
from daq.app.laboratory.signing.sign_acts import subject_of
from daq.app.laboratory.signing.subjects import refusals
from daq.app.laboratory.signing.suspending import suspending
from daq.app.records.signatures import Releases
from daq.core.encoding import encode
from daq.core.errors import SettingError
from daq.laboratory.reportables import ReportableRecord
from tests.support.runs.full_database import TOPICS
from tests.support.runs.stored import T0
from tests.support.signed_laboratories import SAMPLES, measured_bench, signing_lab, verification_detail, verify

OWN, OTHER = "coaxial-12", "coaxial-15"
TEST = "clear-glaze-qc"


@dataclass
class Check:
    """A verification or control: its place, and each judgement with its place."""

    run: str
    place: int
    kind: str
    geometry: str
    judged: list

    @property
    def passed(self):
        return self.judged[-1][1]

    @property
    def gone(self):
        """The place at which the pass that it was does not count any more; None where it counts, or never passed."""
        passes = [i for i, (_, passed) in enumerate(self.judged) if passed]
        return None if not passes or self.passed else self.judged[passes[-1] + 1][0]


@dataclass
class Measured:
    """A run of a sample: its place, how often it has a new result, and whether that counts."""

    run: str
    sample: str
    place: int
    results: int = 1
    counts: bool = True


@dataclass
class Signed:
    """A signature: what it is under, what it states, and the state of that which it covers."""

    of: str
    subject: str
    meaning: str
    covers: object
    in_force: bool = True


@dataclass
class Model:
    """The runs, checks, decisions and signatures of a history, in their order."""

    place: int = 0
    checks: list = field(default_factory=list)
    runs: list = field(default_factory=list)
    upheld: set = field(default_factory=set)
    uncertain: set = field(default_factory=set)
    signed: list = field(default_factory=list)

    def next(self):
        self.place += 1
        return self.place

    def doubts(self, m):
        """Return the checks that put a run in doubt, as pairs of check and kind of doubt, without those upheld."""
        out = []
        for c in self.checks:
            # A failed verification says something about each geometry, a control about its own one only.
            if c.passed is False and m.place < c.place and (c.geometry == OWN or c.kind == "verification"):
                found = not self.passes(c.kind, c.geometry, m.place, c.place)
            elif c.gone is not None and m.place > c.place and c.geometry == OWN:
                found = not self.passes(c.kind, OWN, c.place, m.place)
                found = found and (m.place < c.gone or c.kind == "control")
            else:
                continue
            doubt = c.run, c.passed
            if found and (*doubt, m.run) not in self.upheld:
                out.append(doubt)
        return out

    def passes(self, kind, geometry, after, before):
        return any(
            c.passed and after < c.place < before for c in self.checks if (c.kind, c.geometry) == (kind, geometry)
        )

    def under(self, of, subject):
        return [s for s in self.signed if (s.of, s.subject) == (of, subject)]

    def rejected(self, of, subject):
        """Return whether a rejection holds: no review in force came after it."""
        meanings = [s.meaning for s in self.under(of, subject) if s.meaning == "rejected" or s.in_force]
        answers = [meaning for meaning in meanings if meaning in ("rejected", "reviewed")]
        return answers[-1:] == ["rejected"]

    def of_sample(self, sample):
        return [m for m in self.runs if m.sample == sample]

    def counted(self, sample):
        """Return the run that is reported: the first one that counts."""
        return next((m for m in self.of_sample(sample) if m.counts), None)

    def state(self, sample):
        """Return all that the reportable result of a sample states."""
        m = self.counted(sample)
        attempts = tuple((a.run, a.results, a.counts) for a in self.of_sample(sample))
        return attempts, None if m is None else tuple(sorted(self.doubts(m), key=str))

    def may_release(self, of, subject):
        """Return whether a release may be signed now."""
        m = self.counted(subject) if of == "reportable" else next(m for m in self.runs if m.run == subject)
        if m is None or not m.counts or self.doubts(m) or self.rejected("run", m.run):
            return False
        if of == "reportable":
            return not self.rejected(of, subject)
        return not any(a.counts for a in self.of_sample(m.sample) if a is not m)

    def release(self, of, subject):
        """Return the state of a release."""
        m = self.counted(subject) if of == "reportable" else next(m for m in self.runs if m.run == subject)
        released = [s for s in self.under(of, subject) if s.meaning == "released"]
        if self.rejected(of, subject):
            return "rejected"
        if not released:
            return None
        if not any(s.in_force for s in released):
            return "release_withdrawn"
        return "release_blocked" if self.doubts(m) else "released"

    def withdraw(self, of, subject):
        for s in self.under(of, subject):
            s.in_force = False

    def new_result(self, m, *, counts):
        m.results += 1
        m.counts = counts
        self.withdraw("run", m.run)
        self.withdraw("reportable", m.sample)

    def stored(self):
        """Withdraw the signatures under reportable results that state something else now."""
        for s in self.signed:
            if s.of == "reportable" and s.covers != self.state(s.subject):
                s.in_force = False


class History:
    """A laboratory and the model, with everything that can happen in both."""

    def __init__(self, lab, bench, rng):
        self.lab, self.bench, self.rng, self.model = lab, bench, rng, Model()
        self.happened = {}
        self.model.runs = [
            Measured(run, sample, self.model.next()) for run, sample in zip(lab.runs, SAMPLES, strict=True)
        ]
        lab.keep(*SAMPLES)
        # Most histories would come to their first release late.
        for m in self.model.runs:
            lab.sign(m.run)
            self.model.signed.append(Signed("run", m.run, "released", None))

    def any_run(self):
        return self.rng.choice(self.model.runs)

    def check(self):
        kind, geometry = self.rng.choice(("verification", "control")), self.rng.choice((OWN, OWN, OTHER))
        run, passed = f"check-{len(self.model.checks)}", self.rng.choice((True, True, False, False, None))
        follow = suspending(TOPICS, "bench-1", T0, "m.keeper")
        verify(self.lab.lab.store, run, passed=passed, geometry=geometry, kind=kind, follow=follow)
        place = self.model.next()
        self.model.checks.append(Check(run, place, kind, geometry, [(place, passed)]))

    def judge_again(self):
        if not self.model.checks:
            return
        decided = [c for c in self.model.checks if c.run in {check for check, *_ in self.model.upheld}]
        c = self.rng.choice(self.rng.choice((decided, self.model.checks)) or self.model.checks)
        number = len(self.model.checks)
        passed, place = self.rng.choice((True, False, None)), self.model.next()
        with self.lab.lab.reader() as reader:
            newest = reader.newest_result(c.run).id
        detail = encode(verification_detail(c.run, passed=passed, geometry=c.geometry, kind=c.kind))
        follow = suspending(TOPICS, "bench-1", T0, "c.head", "wrong fluid")

        def build(_sequence, audit, digest):
            origin = {"run": c.run, "audit_head": audit.head, "journal_digest": digest, "serial": "R-1042"}
            return json.dumps({"origin": origin, "conditions": {}, "number": number}), []

        step = Correct(
            newest, f"{c.run}-{place}", "wrong fluid", T0, "c.head", build, verification=detail, follow=follow
        )
        self.lab.lab.store.submit(step).result(10)
        c.judged.append((place, passed))

    def measure(self):
        number, sample = len(self.model.runs), self.rng.choice(SAMPLES)
        bench = replace(self.bench, state=self.lab.lab.store.path.parent)
        run = bench.measure(sample, fill=str(number), simulated=False)
        self.model.runs.append(Measured(run, sample, self.model.next()))

    def correct(self):
        m = self.any_run()
        if self.is_annulled(m):
            return
        # A doubt of before stays with the result.
        self.lab.correct(m.run, lot=f"L{self.model.next()}")
        self.model.new_result(m, counts=m.counts)

    def is_annulled(self, m):
        return self.lab.newest(m.run)["faults"] == ["annulled"]

    def annul(self):
        m = self.any_run()
        if self.is_annulled(m) or self.rng.random() < 0.6:
            return
        self.lab.do("run_annul", person="c.head", run=m.run, because="a bubble")
        self.model.new_result(m, counts=False)

    def decide(self):
        doubted = [(m, d) for m in self.model.runs if not self.is_annulled(m) for d in self.model.doubts(m)]
        if not doubted:
            return
        m, (check, passed) = self.rng.choice(doubted)
        decision = self.rng.choice(("upheld", "upheld", "upheld", "uncertain"))
        order = {"run": m.run, "verification": check, "decision": decision, "because": "the same on bench-2"}
        if (check, passed, m.run) in self.model.uncertain:
            with pytest.raises(SettingError, match="is Uncertain already"):
                self.lab.do("doubt_decide", **order)
            return
        self.lab.do("doubt_decide", **order)
        if decision == "upheld":
            self.model.upheld.add((check, passed, m.run))
        else:
            self.model.uncertain.add((check, passed, m.run))
            self.model.new_result(m, counts=False)

    def sign(self):
        of = self.rng.choice(("run", "reportable"))
        m, model = self.any_run(), self.model
        subject = m.run if of == "run" else m.sample
        ident = subject if of == "run" else f"{subject}/{TEST}"
        meaning = self.rng.choice(("released", "released", "released", "reviewed", "rejected"))
        if meaning == "rejected" and self.rng.random() < 0.5:
            return
        signs = partial(
            self.lab.sign, ident, meaning=meaning, of=of, because="seen", person=self.rng.choice(("a.novak", "b.lind"))
        )
        if meaning == "released" and (not model.may_release(of, subject) or model.release(of, subject) == "released"):
            with pytest.raises(SettingError, match="not signed as released"):
                signs()
            return
        same = [s for s in model.under(of, subject) if s.meaning == meaning and s.in_force]
        if meaning != "released" and same:
            return
        signs()
        covers = None if of == "run" else model.state(subject)
        if meaning == "rejected":
            model.withdraw(of, subject)
            if of == "run":
                model.withdraw("reportable", m.sample)
        model.signed.append(Signed(of, subject, meaning, covers))

    def step(self):
        things = ("check", "check", "judge_again", "measure", "correct", "annul", "decide", "decide", *["sign"] * 6)
        thing = self.rng.choice(things)
        getattr(self, thing)()
        # The daemon stores the reportable results of the samples after that.
        self.compare(thing, stored=False)
        self.lab.keep(*SAMPLES)
        self.model.stored()
        self.compare(thing, stored=True)

    def compare(self, thing, *, stored):
        model, lab = self.model, self.lab
        with lab.lab.reader() as reader:
            releases = Releases(reader)
            for m in model.runs:
                run = reader.run(m.run)
                assert sorted(e.run for e in releases.failures(run)) == sorted(c for c, _ in model.doubts(m)), thing
                found = releases.of_run(run, reader.newest_result(m.run))
                assert found == model.release("run", m.run), (thing, m)
                if stored:
                    assert self.refused(releases, "run", m.run) != model.may_release("run", m.run), (thing, m)
                self.happened[found] = self.happened.get(found, 0) + 1
            for sample in SAMPLES if stored else ():
                ident = f"{sample}/{TEST}"
                kept = ReportableRecord.model_validate(newest(reader, ident), strict=False)
                expected = model.release("reportable", sample)
                # A block of its release is a newer revision of a reportable result, which was not signed.
                assert releases.of_reportable(kept) == expected, (thing, sample)
                assert self.refused(releases, "reportable", ident) != model.may_release("reportable", sample), thing
                counted = model.counted(sample)
                state = "open" if counted is None else "blocked" if model.doubts(counted) else "complete"
                assert self.published(sample) == (state, [] if counted is None else [counted.run]), (thing, sample)
        self.subscribers(thing)

    def refused(self, releases, of, ident):
        subject = subject_of(releases, of, ident)
        found = refusals(subject, "released", None, review_own=False, alone=True)
        return any(s.code != "signed_already" for s in found)

    def published(self, sample):
        """Return state and counted runs of the last message about a sample."""
        last = [e["data"] for e in self.lab.messages("reportable") if e["data"]["sample"] == sample][-1]
        return last["state"], [a["run"] for a in last["attempts"] if a["counted"]]

    def subscribers(self, thing):
        """Compare what a subscriber to signatures knows of each release with the model."""
        known = {}
        for e in self.lab.messages("signature"):
            data = e["data"]
            if data["meaning"] == "released":
                key = data["of"], data["subject"].removesuffix(f"/{TEST}"), data["signature"]
                known[key] = max(known.get(key, (0, "")), (data["revision"], data["state"]))
        for of, subject in {key[:2] for key in known}:
            usable = any(state == "in_force" for key, (_, state) in known.items() if key[:2] == (of, subject))
            # A rejection withdraws the releases, and is a message of its own.
            assert usable == (self.model.release(of, subject) == "released"), (thing, of, subject)


def newest(reader, ident):
    (found,) = reader.query(
        "SELECT data FROM records WHERE kind = 'reportable' AND id = ? ORDER BY revision DESC LIMIT 1", [ident]
    )
    return json.loads(found["data"])


@pytest.fixture(scope="module")
def measured(tmp_path_factory):
    return measured_bench(tmp_path_factory.mktemp("measured"))


@pytest.mark.parametrize(
    ("seed", "things"), [(1, 16), *(pytest.param(seed, 30, marks=pytest.mark.slow) for seed in (3, 4))]
)
def test_a_release_is_as_the_history_says(measured, tmp_path, seed, things):
    with signing_lab(*measured, tmp_path) as lab:
        history = History(lab, measured[0], random.Random(seed))
        for _ in range(things):
            history.step()
        assert history.happened.keys() >= {None, "released", "release_blocked"}
        assert lab.disagreements() == []
