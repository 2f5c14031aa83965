"""Day sheet, review of a month and lists to sign count the same runs as repeats, over random histories."""

import json
import random
from dataclasses import dataclass, replace

import pytest

from daq.adapters.paths import database_path, examples_dir
from daq.adapters.store.declaring.beginning import BeginConfigured, FixedText
from daq.adapters.store.declaring.correcting import Correct
from daq.adapters.store.records import Change
from daq.adapters.store.store import Store
from daq.adapters.store.transactions import BeginRun
from daq.app.laboratory.equipment.monthly import review
from daq.app.laboratory.laboratory import new
from daq.app.laboratory.signing.reportable_records import Keeping
from daq.app.laboratory.signing.subjects import run_subject
from daq.app.records.judged.product_versions import present
from daq.app.records.sheets.day_counts import day_counts
from daq.app.records.signatures import Releases
from daq.app.setup.catalogue import Catalogue
from daq.laboratory.configuration import KeptText, RunConfiguration, UsedFile
from daq.methods.files.digest import restored
from daq.methods.files.product import Product
from tests.support.laboratories import laboratory
from tests.support.runs.stored import SECOND, T0, conclude, end, record, register
from tests.support.runs.virtual_bench import StoredBench

MONTH, DAY = "2025-10", 86_400 * SECOND
TEST = "clear-glaze-qc"
SAMPLES = ("G-1", "G-2", "G-3")
DECLARED = ("sample", "product", "lot", "sampled_at", "operator")


@pytest.fixture(scope="module")
def result(tmp_path_factory):
    """A stored result (JSON values), from which those of the histories are made."""
    state = tmp_path_factory.mktemp("measured") / "state"
    run = StoredBench(state).measure("G-1", fill="1")
    with Store(database_path(state)) as store, store.reader() as reader:
        return json.loads(reader.newest_result(run).data)


@dataclass
class Made:
    """A run of a history, as the test knows it."""

    id: str
    sample: str
    instrument: str
    operator: str
    fill: str
    valid: bool = True
    ended: bool = True
    verifies: bool = False
    opened: bool = False
    joined: bool = False


class History:
    """A laboratory whose stored runs a seed decides."""

    def __init__(self, lab, result, rng, *, numbered):
        self.lab, self.result, self.rng, self.numbered = lab, result, rng, numbered
        self.count = rng.randrange(1, 4)
        rule = {"count": self.count, "most": self.count, "repeatability_limit": {"value": 50.0, "unit": "%"}}
        text = json.loads(present(Catalogue.load(examples_dir()).product("clear-glaze")).text)
        text |= {"replicates": rule, "version": "r", "tests": []}
        if self.count == 1 and rng.random() < 0.5:
            del text["replicates"]
        self.version = present(restored(Product, json.dumps(text)))
        self.runs: list[Made] = []

    def grow(self):
        chance = self.rng.random()
        if chance < 0.15 and self.runs:
            self.move(self.rng.choice(self.runs), self.rng.choice(SAMPLES))
        elif chance < 0.25 and self.runs:
            self.annul(self.rng.choice(self.runs))
        elif chance < 0.45 and self.runs:
            self.keep(self.rng.choice(SAMPLES))
        else:
            self.measure()

    def measure(self):
        rng, number = self.rng, len(self.runs)
        made = Made(
            f"run-{number:04d}", rng.choice(SAMPLES), rng.choice(["rotor-1", "rotor-2"]), rng.choice(["a", "b"]), rng.choice("1234"),
            valid=rng.random() < 0.8, ended=rng.random() < 0.95, verifies=rng.random() < 0.1, opened=rng.random() < 0.1,
        )  # fmt: skip
        run = replace(
            record(made.id, made.instrument), sample=made.sample, operator=made.operator, fill=made.fill, method_id=TEST,
            product="clear-glaze", began_utc_ns=T0 + number * 60 * SECOND, companions=(),
        )  # fmt: skip
        text = self.version
        used = UsedFile(what="product", id="clear-glaze", version="r", text=text.digest)
        listed = {"repeat_of": "x", "reason": "odd"} if made.opened else {"repeat_of": "x", "reason": ""}
        self.do(
            BeginConfigured(
                BeginRun(run, counted=self.numbered and not made.verifies),
                (),
                (FixedText(new(KeptText(id=text.digest, text=text.text), "text_kept")),),
                new(RunConfiguration(id=run.id, used=(used,), fitted={}), "run_configured"),
                beside=(Change("checklist", run.id, "checklist_kept", listed),),
            )
        )
        self.runs.append(made)
        if not made.ended:
            return
        data = self.result | {"validity": "valid" if made.valid else "not_valid"}
        data |= {"sample": data["sample"] | {"id": made.sample}}
        if made.verifies:
            data |= {"verification": {"passed": True}}

        def build(sequence, audit, journal_digest):
            return json.dumps(data), []

        self.do(conclude(made.id, result_id=f"result-{number}", build=build))
        self.do(end(made.id))

    def move(self, made, sample):
        """Declare a run to be of another sample, as a correction does."""
        with self.lab.reader() as reader:
            run = reader.run(made.id)
            revision = len(reader.query("SELECT 1 FROM records WHERE kind = 'declaration' AND id = ?", [made.id]))
        if not made.ended or sample == run.sample:
            return
        moved = [{"sample": run.sample, "to": sample, "because": "typo", "outside": False}]
        data = {name: getattr(run, name) for name in DECLARED} | {"sample": sample, "plan": None, "moved": moved}
        keys = [("sample", sample), ("moved_from", run.sample)]
        self.lab.change(Change("declaration", made.id, "run_corrected", data, keys, revision))
        made.sample = sample

    def annul(self, made):
        """Replace the result of a run by one that is not valid, with its declaration, as an annulment does."""
        with self.lab.reader() as reader:
            run, newest = reader.run(made.id), reader.newest_result(made.id)
            revision = len(reader.query("SELECT 1 FROM records WHERE kind = 'declaration' AND id = ?", [made.id]))
        if newest is None:
            return
        result = f"{newest.id}-{revision}"
        data = {name: getattr(run, name) for name in DECLARED} | {"plan": None, "state": "annulled"}
        declared = Change("declaration", made.id, "run_annulled", data, [("sample", run.sample)], revision)
        text = json.dumps(json.loads(newest.data) | {"validity": "not_valid"})
        self.do(Correct(newest.id, result, "spilled", T0, "c.head", lambda *_: (text, []), changes=(declared,)))
        made.valid = False

    def keep(self, sample):
        """Store the reportable result of a sample, as the daemon does after a run."""
        Keeping(self.lab.store, None, T0, "daemon").store_of_samples([sample])

    def do(self, transaction):
        self.lab.store.submit(transaction).result(20)

    def expected(self):
        """Return the repeats by the definition, from what the test knows alone."""
        out = {made.id for made in self.runs if made.opened}
        for sample in SAMPLES:
            fills, asked, first = set(), True, True
            for made in self.runs:
                if made.sample != sample or not made.ended or made.verifies:
                    continue
                counts = made.valid and made.fill not in fills and len(fills) < self.count
                fills |= {made.fill} if counts else set()
                asked = asked and counts
                if not asked and not first:
                    out.add(made.id)
                first = False
        return out


@pytest.mark.parametrize(
    ("seed", "numbered"), [*((seed, True) for seed in range(6)), (0, False), (1, False), (2, False)]
)
def test_every_place_that_counts_repeats_counts_the_same_runs(tmp_path, result, seed, numbered):
    """Runs of an earlier version all have the number 1 (`numbered` is False)."""
    rng = random.Random(seed)
    with laboratory(tmp_path) as lab:
        lab.store.submit(replace(register(), id=TEST)).result(20)
        history = History(lab, result, rng, numbered=numbered)
        for _ in range(16):
            history.grow()
        expected = history.expected()
        with lab.reader() as reader:
            releases, runs = Releases(reader), {m.id: m for m in history.runs}
            to_sign = {
                m.id for m in history.runs if m.ended and "repeat" in run_subject(releases, reader.run(m.id)).exceptions
            }
            assert to_sign == {r for r in expected if runs[r].ended}
            for bench in ("", "rotor-1", "rotor-2"):
                counts = day_counts(reader, T0, T0 + DAY, bench)
                assert counts.repeats == sum(bench in ("", runs[r].instrument) for r in expected)
            found = {(r.instrument, r.person): r.repeats for r in review(reader, MONTH).rows}
            for (bench, person), repeats in found.items():
                assert repeats == sum((runs[r].instrument, runs[r].operator) == (bench, person) for r in expected)
            assert sum(found.values()) == len(expected)
