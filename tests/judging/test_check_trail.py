"""The few entries that decide put the same results in doubt as all entries."""

import random
from dataclasses import replace

import pytest

from daq.adapters.store.reading import Reader
from daq.adapters.store.records import Change, ChangeRecords
from daq.adapters.store.transactions import Audit
from daq.app.records.checks.audited_checks import checks, entries, last_seq
from daq.app.records.checks.check_trail import CheckTrail
from daq.app.records.checks.doubts import doubting, window
from daq.app.records.signatures import Releases
from daq.core.encoding import encode
from daq.core.errors import SettingError
from daq.methods.planning.standing import AuditedLevel, AuditedVerification
from tests.bench.large_commits import large_commits
from tests.support.runs.stored import SECOND, T0, begin, register

DAY = 86_400 * SECOND
RUNS = 60
DECLARED_RUN = {"sample": "s", "product": "", "lot": "", "sampled_at": ""}


def judged(rng, run, kind):
    """Return a judgement, with few instruments and geometries, so that many are of the same pair."""
    return AuditedVerification(
        run=run, result="r", passed=rng.choices([True, False, None], [8, 2, 1])[0], condition="as_found", fluid="oil",
        lot='7 "passed":true', certificate="K", geometry=rng.choice(["cup-12", "cup-14"]),
        geometry_serial=rng.choice(["", "", "g1"]), serial=rng.choice(["S1", "S2"]),
        levels=(AuditedLevel(20.0, 0.3, accepted=True),), results_in_doubt=0, kind=kind,
    )  # fmt: skip


def history(path, seed, controls, *, plain=True):
    """Write verifications and controls, some judged again after others, some simulated.

    Some persons have no authorisation: the one who measured, or the one to whom a run was corrected.

    With `plain` the end of a run follows its judgement, as the program writes it.
    """
    rng = random.Random(seed)
    again = []
    with large_commits(path) as writing:
        writing.do(register())
        for n in range(RUNS):
            run, kind = f"run-{n}", "control" if rng.random() < controls else "verification"
            started = begin(run, "bench-1")
            attribution = rng.choices(["authorised", "not_authorised"], [8, 1])[0]
            record = replace(
                started.run, began_utc_ns=T0 + n * DAY, attribution=attribution, simulated=rng.random() < 0.15
            )
            writing.do(replace(started, run=record))
            detail = judged(rng, run, kind)
            writing.do(Audit(T0 + n * DAY, "a", "verification", "bench-1", encode(detail)))
            if plain:
                writing.do(Audit(T0 + n * DAY, "a", "run_concluded", run, {}))
            if rng.random() < 0.25:
                again.append((run, kind))
            if again and rng.random() < 0.3:
                # The person to whom the run is corrected has an authorisation or none.
                persons = rng.choice([[], [], ["a.trainee"]])
                declared = {"operator": "a.trainee", "not_authorised": persons}
                change = Change("declaration", again[0][0], "run_corrected", DECLARED_RUN | declared, ())
                writing.do(ChangeRecords((change,), T0 + n * DAY, "b", "another person measured"))
                writing.do(Audit(T0 + n * DAY + 1, "b", "verification", "bench-1", encode(judged(rng, *again.pop(0)))))
            writing.do(Audit(T0 + n * DAY + 2, "c", "noted", "bench-1", {}))


@pytest.mark.parametrize(("seed", "controls"), [(1, 0.0), (2, 0.5), (3, 0.9)])
def test_the_deciding_entries_put_the_same_results_in_doubt(tmp_path, seed, controls):
    history(tmp_path / "daq.db", seed, controls, plain=seed != 3)
    with Reader(tmp_path / "daq.db") as reader:
        found = checks(reader, "bench-1")
        trail = CheckTrail(reader, "bench-1")
        untrained = [e for e in found if e.not_authorised]
        assert {reader.run_as_started(e.run).attribution for e in untrained} == {"authorised", "not_authorised"}
        in_doubt = [e for e in found if e.doubt is not None]
        assert len(in_doubt) > 5
        assert all(trail.is_check(e.run) for e in found)
        assert not trail.is_check("run-none")
        now = doubting(trail)
        assert now.reaches == tuple((e, *window(found, e, "bench-1")) for e in in_doubt)
        last = last_seq(reader, "bench-1")
        for seq in range(last + 2):
            reached = any(after < seq <= until for _, after, until in now.reaches)
            assert trail.may_reach(seq) or not reached
        assert not CheckTrail(reader, "bench-2").may_reach(1)
        assert entries(reader, "bench-1") == [e for e in found if not e.is_control]
        # Between them are entries that decide nothing: the sweep would show if all were read.
        assert len(trail.deciding()) < len(found)


@pytest.mark.parametrize("seed", [5])
def test_the_verifications_around_a_span_are_those_of_all(tmp_path, seed):
    history(tmp_path / "daq.db", seed, 0.3)
    rng = random.Random(seed)
    with Reader(tmp_path / "daq.db") as reader:
        trail, left_out = Releases(reader).trail("bench-1"), {f"run-{n}" for n in range(0, RUNS, 7)}
        own = [e for e in entries(reader, "bench-1") if e.run not in left_out]
        for _ in range(40):
            first = T0 + rng.randrange(-DAY, RUNS * DAY)
            last = first + rng.randrange(20 * DAY)
            before = [e for e in own if e.utc_ns < first][-1:]
            between = [e for e in own if first <= e.utc_ns <= last]
            after = [e for e in own if e.utc_ns > last][:1]
            assert trail.around(first, last, left_out.__contains__) == before + between + after


@pytest.mark.parametrize("damage", [{"passed": "yes"}, {"serial": None}, {"passed": 1}])
def test_a_damaged_judgement_is_named(tmp_path, damage):
    good = encode(judged(random.Random(1), "run-1", "verification"))
    with large_commits(tmp_path / "daq.db") as writing:
        writing.do(Audit(T0, "a", "verification", "bench-1", good | damage))
    with Reader(tmp_path / "daq.db") as reader, pytest.raises(SettingError, match=next(iter(damage))):
        checks(reader, "bench-1")
