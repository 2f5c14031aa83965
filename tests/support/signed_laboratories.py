"""A laboratory with measured runs that can be released, and persons with passwords who sign them."""

import json
import shutil
from contextlib import contextmanager
from dataclasses import dataclass, replace

from daq.adapters.paths import database_path, examples_dir
from daq.adapters.store.agreement.everything import Comparison
from daq.adapters.store.agreement.stored import Stored
from daq.adapters.store.store import Store
from daq.app.laboratory.acts import carry_out
from daq.app.laboratory.laboratory import Laboratory
from daq.app.laboratory.signing.reportable_records import Keeping
from daq.app.records.signatures import Releases
from daq.app.setup.catalogue import Catalogue
from daq.core.encoding import encode
from daq.methods.files.daemon import People
from daq.methods.planning.standing import AuditedVerification
from daq.process.logins import own_login
from tests.support.laboratories import any_ids, at
from tests.support.runs.full_database import TOPICS
from tests.support.runs.stored import begin, conclude, end, register
from tests.support.runs.virtual_bench import StoredBench

PASSWORD = "a new glaze"  # noqa: S105 - invented
PERSONS = {"m.keeper": "measure", "a.novak": "review", "b.lind": "review", "c.head": "administer"}
SAMPLES = ("G-1041", "G-1042", "G-1043")


def measured_bench(folder, topics=TOPICS):
    """Return a bench with a run of each sample, measured by m.keeper on a real instrument, and their ids."""
    bench = StoredBench(folder / "state", topics=topics)
    return bench, [bench.measure(sample, simulated=False) for sample in SAMPLES]


@dataclass
class SigningLab:
    """A laboratory at the login of a.novak, with shortcuts."""

    lab: Laboratory
    runs: list

    def at(self, person):
        return at(self.lab, f"at-{person}")

    def do(self, act, person="a.novak", **order):
        return carry_out(self.at(person), act, order)

    def sign(self, *runs, meaning="released", person="a.novak", of="run", password=PASSWORD, **more):
        signed = [{"of": of, "id": run} for run in runs]
        order = {"signed": signed, "password": password} | more
        if meaning == "measured":
            return self.do("sign_measured", person, **order)
        return self.do("sign", person, meaning=meaning, **order)

    def correct(self, run, person="c.head", **facts):
        order = {"because": "mistyped"} | facts | {"run": run}
        done = self.do("run_correct", person, **order)
        return self.do("run_correct_reviewed", person, **order) if "needs_review" in done else done

    def keep(self, *samples):
        lab = self.lab
        return Keeping(lab.store, lab.topics, lab.clock.utc_ns(), "daemon").store_of_samples(samples)

    def release(self, run):
        with self.lab.reader() as reader:
            return Releases(reader).of_run(reader.run(run), reader.newest_result(run))

    def newest(self, run):
        """Return the newest result of a run as JSON values."""
        with self.lab.reader() as reader:
            return json.loads(reader.newest_result(run).data)

    def messages(self, kind):
        """Return the events on the topics of a kind, in the order of the outbox."""
        with self.lab.reader() as reader:
            rows = reader.query("SELECT payload FROM outbox WHERE topic LIKE ? ORDER BY seq", [f"%/{kind}/%"])
        return [json.loads(row["payload"]) for row in rows]

    def disagreements(self):
        with Stored(self.lab.store.path) as stored:
            return [d.text for d in Comparison().of(stored)]


@contextmanager
def signing_lab(bench, runs, folder, *, required=True, review_own=False):
    """Open a copy of a bench's database with the persons of `PERSONS`; each has a login ``at-ID`` and a password."""
    shutil.copytree(bench.state, folder / "state", dirs_exist_ok=True)
    catalogue = any_ids(Catalogue.load(examples_dir()))
    people = People(required=required, review_own=review_own)
    catalogue.daemon = catalogue.daemon.model_copy(update={"people": people})
    with Store(database_path(folder / "state")) as store:
        lab = Laboratory(store, catalogue, bench.clock, own_login(), topics=bench.topics)
        first = {"id": "c.head", "role": "administer", "logins": ["at-c.head"], "password": PASSWORD}
        carry_out(lab, "person_add", first)
        for name, role in PERSONS.items():
            if name != "c.head":
                order = {"id": name, "name": name.upper(), "role": role, "logins": [f"at-{name}"], "password": PASSWORD}
                carry_out(at(lab, "at-c.head"), "person_add", order)
        yield SigningLab(lab, runs)


@contextmanager
def signing_lab_at(lab, path):
    """Open the same laboratory on another database."""
    with Store(path) as store:
        yield SigningLab(replace(lab.lab, store=store), lab.runs)


def verification_detail(
    run, *, passed, geometry="coaxial-12", kind="verification", fluid="reference-b", serial="R-1042"
):
    """Return the details of the audit entry of a verification."""
    return AuditedVerification(
        run=run, result=f"r-{run}", passed=passed, condition="as_found", fluid=fluid, lot="1", certificate="c",
        geometry=geometry, geometry_serial="", serial=serial, levels=(), results_in_doubt=0, kind=kind,
    )  # fmt: skip


def verify(
    store, run, *, passed, geometry="coaxial-12", instrument="bench-1", method="glaze-flow", follow=None, **more
):
    """Store a verification or a control of an instrument with a measuring geometry."""
    detail = verification_detail(run, passed=passed, geometry=geometry, **more)
    began = begin(run, instrument)
    began = replace(began, run=replace(began.run, method_id=method, simulated=False))
    concluded = conclude(run, result_id=f"r-{run}", verification=encode(detail), follow=follow)
    for step in (replace(register(), id=method), began, concluded, end(run)):
        store.submit(step).result(10)
