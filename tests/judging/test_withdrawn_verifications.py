"""A result that was Good because of a verification is in doubt as soon as that verification does not count any more."""

import itertools
import json
import random
from dataclasses import dataclass, field, replace

import pytest

from daq.adapters.store.declaring.correcting import Correct
from daq.adapters.store.records import Change
from daq.adapters.store.store import Store
from daq.app.records.checks.audited_checks import checks
from daq.app.records.checks.check_trail import CheckTrail
from daq.app.records.checks.doubts import doubt_by, doubting, failures_after
from daq.app.records.signatures import Releases
from daq.core.encoding import encode
from daq.laboratory.declarations import Declaration
from tests.support.runs.stored import T0, begin, conclude, end, register
from tests.support.signed_laboratories import verification_detail

GEOMETRIES = ("coaxial-12", "coaxial-15")


@dataclass
class Check:
    """A verification of the model: each judgement as its place, whether it passed, and its geometry."""

    run: str
    place: int
    judged: list = field(default_factory=list)

    def at(self, place):
        """Return whether it passed, and for which geometry, as it was judged at a place."""
        return [(passed, geometry) for p, passed, geometry in self.judged if p <= place][-1]


class Bench:
    """A bench in a store, and what happened on it in order."""

    def __init__(self, store):
        self.store, self.place = store, 0
        self.checks, self.samples = [], []
        store.submit(register()).result(10)

    def built(self, run, geometry):
        def build(_sequence, audit, digest):
            origin = {"run": run, "audit_head": audit.head, "journal_digest": digest, "serial": "R-1042"}
            return json.dumps({"origin": origin, "geometry": {"name": geometry}, "conditions": {}}), []

        return build

    def started(self, run):
        self.place += 1
        started = begin(run, "bench-1")
        self.store.submit(replace(started, run=replace(started.run, simulated=False))).result(10)
        return self.place

    def ended(self, run, geometry, detail=None):
        self.place += 1
        more = {} if detail is None else {"verification": encode(detail)}
        step = conclude(run, result_id=f"r-{run}", build=self.built(run, geometry), **more)
        for each in (step, end(run)):
            self.store.submit(each).result(10)
        return self.place

    def verify(self, passed, geometry):
        run = f"check-{len(self.checks)}"
        self.started(run)
        place = self.ended(run, geometry, verification_detail(run, passed=passed, geometry=geometry))
        self.checks.append(Check(run, place, [(place, passed, geometry)]))

    def judge_again(self, check, passed, geometry, operator="m.keeper"):
        """Correct or annul a verification; an operator other than m.keeper has no authorisation for it."""
        self.place += 1
        with self.store.reader() as reader:
            newest = reader.newest_result(check.run).id
        detail = verification_detail(check.run, passed=passed, geometry=geometry)
        again = f"again-{check.run}-{self.place}"
        build = self.built(check.run, geometry)
        persons = () if operator == "m.keeper" else (operator,)
        declared = Declaration(
            id=check.run, result=again, supersedes=newest, sample=check.run, operator=operator, not_authorised=persons
        )
        after = len(check.judged) - 1
        change = Change(declared.kind, check.run, "run_corrected", declared.model_dump(mode="json"), (), after)
        step = Correct(newest, again, "wrong fluid", T0, "c.head", build, (change,), verification=encode(detail))
        self.store.submit(step).result(10)
        # A pass of a person without authorisation decides nothing; a failure fails, measured by any person.
        check.judged.append((self.place, None if passed and persons else passed, geometry))

    def sample(self, geometry, between):
        run = f"sample-{len(self.samples)}"
        start = self.started(run)
        between()
        self.samples.append((run, start, self.ended(run, geometry), geometry))

    def relied_on(self, start, geometry):
        """Return the verification because of which a result that starts is Good, or None."""
        decided = [c for c in self.checks if c.place < start and c.at(start) in ((True, geometry), (False, geometry))]
        return decided[-1] if decided and decided[-1].at(start)[0] else None

    def must_be_in_doubt(self, start, end, geometry):
        """Return the verification that put a result in doubt by being taken back, or None."""
        check = self.relied_on(start, geometry)
        if check is None or check.at(self.place) == (True, geometry):
            return None
        later = [c for c in self.checks if check.place < c.place < end and c.at(self.place) == (True, geometry)]
        return None if later else check.run

    def may_be_in_doubt(self, check, start, end, geometry):
        """Return whether a verification has a reason to put a result in doubt."""
        now, every = check.at(self.place), [(p, g) for _, p, g in check.judged]
        if end < check.place:
            return now[0] is False
        gone = (True, geometry) in every and now != (True, geometry)
        # The next pass of the geometry ends the doubt, however many other geometries the verification had before.
        later = any(check.place < c.place < end and c.at(self.place) == (True, geometry) for c in self.checks)
        return gone and start < check.judged[-1][0] and not later


def happen(bench, rng):
    """Let one thing happen at random."""

    def again():
        if bench.checks:
            check = rng.choice(bench.checks[-4:])
            geometry = rng.choice((check.at(bench.place)[1], check.at(bench.place)[1], *GEOMETRIES))
            bench.judge_again(
                check, rng.choice((True, False, None)), geometry, rng.choice(("m.keeper", "m.keeper", "a.trainee"))
            )

    kind = rng.choice(("verify", "verify", "again", "again", "sample", "sample", "sample", "during"))
    if kind == "verify":
        bench.verify(rng.choice((True, True, True, False, None)), rng.choice((GEOMETRIES[0], *GEOMETRIES)))
    elif kind == "again":
        again()
    else:
        bench.sample(rng.choice((GEOMETRIES[0], *GEOMETRIES)), again if kind == "during" else lambda: None)


@pytest.mark.parametrize(
    ("seed", "things"), [(1, 60), *(pytest.param(seed, 120, marks=pytest.mark.slow) for seed in (2, 3))]
)
def test_a_result_is_in_doubt_where_the_verification_it_relied_on_is_taken_back(tmp_path, seed, things):
    rng, missed = random.Random(seed), 0
    with Store(tmp_path / "daq.db", utc_ns=T0) as store:
        bench = Bench(store)
        for _ in range(things):
            happen(bench, rng)
        with store.reader() as reader:
            every = checks(reader, "bench-1")
            releases, now = Releases(reader), doubting(CheckTrail(reader, "bench-1"))
            reached = {e.run: {run for _, run in doubt_by(reader, every, e).results} for e in every}
            could = {e.run: {run for _, run in doubt_by(reader, every, e, however=True).results} for e in every}
            for run, start, place, geometry in bench.samples:
                found = {e.run for e in releases.failures(reader.run(run))}
                seq = reader.results(run)[0].audit_seq
                assert found == {e.run for e in failures_after(reader, now, run, seq)}
                assert found == {e.run for e in every if e.doubt is not None and run in reached[e.run]}
                must = bench.must_be_in_doubt(start, place, geometry)
                missed += must is not None
                assert must is None or must in found, (run, must)
                for check in bench.checks:
                    if check.run in found:
                        assert bench.may_be_in_doubt(check, start, place, geometry), (run, check.run)
                        assert run in could[check.run]
    assert missed > 3


def test_a_pass_counts_as_long_as_each_person_it_was_corrected_to_is_authorised(tmp_path):
    with Store(tmp_path / "daq.db", utc_ns=T0) as store:
        bench = Bench(store)
        bench.verify(True, GEOMETRIES[0])
        (check,) = bench.checks
        found = []
        for operator in ("m.keeper", "a.trainee", "m.keeper"):
            bench.sample(GEOMETRIES[0], lambda: None)
            bench.judge_again(check, True, GEOMETRIES[0], operator)
            with store.reader() as reader:
                (e,) = checks(reader, "bench-1")
                doubted = Releases(reader).failures(reader.run(bench.samples[-1][0]))
            found.append((e.passed, e.not_authorised, [d.doubt for d in doubted]))
    taken_back = (None, True, ["verification_withdrawn_later"])
    assert found == [(True, False, []), taken_back, (True, False, [])]


def test_the_doubt_about_a_geometry_ends_with_its_next_pass_whatever_the_verification_was_before(tmp_path):
    """Each order in which a verification is corrected from one geometry to another and to a third one."""
    ended = 0
    with Store(tmp_path / "daq.db", utc_ns=T0) as store:
        bench = Bench(store)
        for first, second, third in itertools.permutations((*GEOMETRIES[:2], "cup-99")):
            bench.verify(True, first)
            check = bench.checks[-1]
            bench.judge_again(check, True, second)
            bench.sample(second, lambda: None)
            bench.verify(True, second)
            bench.sample(second, lambda: None)
            bench.judge_again(check, True, third)
            (_, start_before, place_before, _), (_, start, place, _) = bench.samples[-2:]
            assert bench.may_be_in_doubt(check, start_before, place_before, second)
            assert not bench.may_be_in_doubt(check, start, place, second)
            with store.reader() as reader:
                every, now = checks(reader, "bench-1"), doubting(CheckTrail(reader, "bench-1"))
                own = next(e for e in every if e.run == check.run)
                assert len(own.taken_back) == 2
                reached = {run for _, run in doubt_by(reader, every, own).results}
                for (run, *_), expected in zip(bench.samples[-2:], (True, False), strict=True):
                    found = failures_after(reader, now, run, reader.results(run)[0].audit_seq)
                    assert (check.run in {e.run for e in found}, run in reached) == (expected, expected)
                    ended += not expected
    assert ended == 6
