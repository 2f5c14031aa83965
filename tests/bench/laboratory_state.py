"""Build the state directory of a laboratory after two years: samples, results, and the records around them.

One run of clear glaze is measured on a virtual bench.  Its header, kept values, result and reportable result are the
templates of all others, so that each has a realistic length and decodes as a real one does.  Journals and messages are
short.
"""

import json
import tempfile
import uuid
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any, Final

from daq.adapters.paths import database_path
from daq.adapters.store.audit import digest_of
from daq.adapters.store.declaring.correcting import Correct
from daq.adapters.store.outgoing.delivery import Acknowledge
from daq.adapters.store.reading import Reader
from daq.adapters.store.records import Change, ChangeRecords
from daq.adapters.store.rows import AuditPoint, Committed, Outgoing, RunRecord
from daq.adapters.store.transactions import BeginRun, Conclude, EndRun, NoteHealth, RegisterMethod, SeeInstrument
from daq.app.laboratory.signing.reportable_records import computed
from daq.app.records.health_history import Figures
from daq.app.records.signatures import Releases
from daq.app.screens.text import utc_iso
from daq.core.encoding import encode
from daq.core.journal import RECEIVED
from daq.core.journal_block import HEADER, Block, chain
from daq.laboratory.record import Record
from daq.laboratory.reportables import reportable_record
from daq.laboratory.reports import Report, ShownResult
from daq.laboratory.samples import Sample
from daq.laboratory.signing import Signature, SignedPart
from daq.laboratory.transcribed import Transcribed
from daq.methods.parts.judged import Level, Verification
from daq.methods.planning.standing import AuditedLevel, AuditedVerification
from tests.bench.large_commits import LargeCommits, large_commits
from tests.support.runs.charted import configured_start, example_version
from tests.support.runs.stored import SECOND, written
from tests.support.runs.virtual_bench import StoredBench

BEGAN_NS: Final = 1_732_900_000 * SECOND
"""Start of the first run: 2024-11-29."""
SPAN_NS: Final = 2 * 365 * 86_400 * SECOND
BENCHES: Final = ("bench-1", "bench-2", "bench-3", "bench-4", "bench-5", "bench-6", "bench-7", "bench-8")
PRODUCTS: Final = ("clear-glaze", "clear-glaze", "white-glaze", "engobe", "casting-slip")
PERSONS: Final = ("m.keeper", "j.turner", "a.fettler", "b.lind", "k.slip")
FLUID: Final = "reference-b"
SAMPLES_OF_A_LOT: Final = 10
LASTS_NS: Final = 190 * SECOND
VERIFIED_EVERY_NS: Final = 86_400 * SECOND
"""Time between two verifications of a bench."""
FAILED_EVERY: Final = 97
CORRECTED_EVERY: Final = 100
RELEASED_EVERY: Final = 5
REPORTED_EVERY: Final = 50
TRANSCRIBED_EVERY: Final = 500
HEALTH: Final = encode(Figures(serial="R-1042", geometry="coaxial-12", free=False, zero=0.1, ripple=0.4, readings=600))
OPEN: Final = 200
"""Number of the newest samples that are open."""


@dataclass(frozen=True, slots=True)
class Template:
    """A run that was measured, as the database has it."""

    record: RunRecord
    method: tuple[str, str, str, str]
    """Id, version, digest and text."""
    result: dict[str, Any]
    kept: tuple[str, ...]
    reportable: dict[str, Any]


@dataclass(frozen=True, slots=True)
class Size:
    """Numbers of samples and results; each sample has `results // samples` runs."""

    samples: int
    results: int

    @property
    def runs_of_a_sample(self) -> int:
        """Number of runs of each sample."""
        return max(1, self.results // self.samples)

    def began_ns(self, number: int) -> int:
        """Return the start (UTC ns) of a run by its number; the runs are spread over two years."""
        return BEGAN_NS + number * (SPAN_NS // self.results)


def template() -> Template:
    """Return a measured run."""
    with tempfile.TemporaryDirectory() as scratch:
        bench = StoredBench(Path(scratch) / "state")
        run_id = bench.measure("G-0", lot="L-0", simulated=False)
        with Reader(database_path(bench.state)) as reader:
            record = reader.run(run_id)
            assert record is not None
            newest = reader.newest_result(run_id)
            assert newest is not None
            method = reader.method(record.method_id, record.method_version)
            assert method is not None
            (data,) = computed(Releases(reader), "G-0").values()
            return Template(
                record,
                (method.id, method.version, method.digest, method.text),
                json.loads(newest.data),
                tuple(json.dumps(k, sort_keys=True) for k in reader.kept(run_id)),
                reportable_record(data).model_dump(mode="json"),
            )


def sample_id(number: int) -> str:
    """Return the id of a sample."""
    return f"G-{number:06}"


def lot_of(sample: int) -> str:
    """Return the lot of a sample."""
    return f"L-{sample // SAMPLES_OF_A_LOT:05}"


def run_id(number: int) -> str:
    """Return the id of a run."""
    return str(uuid.uuid5(uuid.NAMESPACE_OID, f"run {number}"))


def result_id(number: int) -> str:
    """Return the id of the first result of a run."""
    return str(uuid.uuid5(uuid.NAMESPACE_OID, f"result {number}"))


class Build:
    """Write the state of a laboratory."""

    def __init__(self, writing: LargeCommits, size: Size, like: Template) -> None:
        self.writing, self.size, self.like = writing, size, like
        self._verified = dict.fromkeys(BENCHES, 0)
        self._verifications = 0

    def everything(self) -> None:
        """Write samples, runs, results and records in the order of time."""
        do = self.writing.do
        began = self.size.began_ns(0)
        do(RegisterMethod(*self.like.method, began, "m.keeper"))
        for name in BENCHES:
            do(SeeInstrument(name, "rotational", f"S-{name}", began))
        for number in range(self.size.samples):
            self._sample(number)

    def _sample(self, number: int) -> None:
        of_sample = self.size.runs_of_a_sample
        first = number * of_sample
        sample = Sample(
            id=sample_id(number),
            product=PRODUCTS[number // SAMPLES_OF_A_LOT % len(PRODUCTS)],
            lot=lot_of(number),
            sampled_at="2026-01-05T06:10+00:00",
            due="2026-01-05T10:00+00:00",
            received_by=PERSONS[number % len(PERSONS)],
            remark="taken from the lower valve" if number % 7 == 0 else "",
            bench=BENCHES[number % 3] if number % 4 == 0 else "",
        )
        began = self.size.began_ns(first)
        self._add(sample, "sample_added", began - 600 * SECOND)
        if number >= self.size.samples - OPEN // 2:
            return  # has no run yet
        made = [self._run(first + i, sample, i) for i in range(of_sample)]
        if number < self.size.samples - OPEN:
            done = sample.model_copy(update={"state": "done"})
            self._add(done, "sample_done", began + 3600 * SECOND, after=1)
        self._reportable(sample, made, began + 1800 * SECOND)
        if number % REPORTED_EVERY == 0:
            self._report(sample, *made[0])
        if number % TRANSCRIBED_EVERY == 0:
            read = Transcribed(
                id=f"t-{number}", sample=sample.id, test="sieve residue", value=0.4, unit="%", as_typed="0.4 %",
                read_utc_ns=began, first="m.keeper", second="b.lind", state="confirmed",
            )  # fmt: skip
            self._add(read, "transcribed_confirmed", began)

    def _add(self, record: Record, what: str, utc_ns: int, *, after: int = 0) -> None:
        data = record.model_dump(mode="json")
        self._change(Change(record.kind, record.id, what, data, record.keys(), after), utc_ns)

    def _change(self, change: Change, utc_ns: int) -> None:
        self.writing.do(ChangeRecords((change,), utc_ns, "m.keeper"))

    def _run(self, number: int, sample: Sample, place: int) -> tuple[RunRecord, Committed, str]:
        do, like = self.writing.do, self.like
        bench = BENCHES[number // self.size.runs_of_a_sample % len(BENCHES)]
        run = replace(
            like.record,
            id=run_id(number),
            instrument=bench,
            sample=sample.id,
            product=sample.product,
            lot=sample.lot,
            fill=f"{place + 1}",
            replicate=place + 1,
            operator=PERSONS[number // 40 % len(PERSONS)],
            began_utc_ns=self.size.began_ns(number),
            header=like.record.header.replace(like.record.id, run_id(number)),
            state="running",
            outcome="",
            reason="",
            motor="",
            ended_utc_ns=None,
        )
        ended = run.began_utc_ns + LASTS_NS
        header = written(HEADER, 0, run.header.encode())
        block = Block(header, chain("", header), 1, 0, 0)
        raw = written(RECEIVED, 0, f"val {number}\r\n".encode())
        texts: list[str] = []
        values: dict[str, Any] = {
            "verification": None,
            "value": 990.0 + number * 7919 % 997 / 50,
            "verdict": "outside" if number % 29 == 0 else "within",
        }
        verified = self._due(bench, run)
        if verified is not None:
            levels = tuple(Level(step=step, deviation_percent=0.3 + number % 7 / 20) for step in ("low", "high"))
            found = Verification(
                condition="as_found", fluid=FLUID, lot="1", certificate="K-1", expires="2027-01-01",
                passed=verified["passed"], levels=levels,
            )  # fmt: skip
            values["verification"] = found.model_dump(mode="json")
        do(configured_start(BeginRun(run), example_version(run.product)))
        done = do(
            Conclude(
                run=run.id,
                result_id=result_id(number),
                outcome="complete",
                reason=like.record.reason,
                utc_ns=ended,
                who=run.operator,
                build=partial(self._result, run, values, None, texts),
                kept=like.kept,
                block=block,
                verification=verified,
            )
        )
        do(EndRun(run.id, "still", ended + SECOND, "daemon", Block(raw, chain(block.digest, raw), 1, 0, 0)))
        do(NoteHealth(run.id, bench, ended, HEALTH))
        do(Acknowledge((number + 1,), ended + SECOND))
        if number % CORRECTED_EVERY == 7:
            declared = {name: getattr(run, name) for name in ("sample", "product", "sampled_at", "operator")}
            declared |= {"id": run.id, "result": f"{done.id}-2", "supersedes": done.id, "state": "corrected"}
            declared |= {"plan": None, "kept": None, "lot": run.lot, "changes": []}
            keys = [(name, str(declared[name])) for name in ("sample", "product", "lot", "operator")]
            change = Change("declaration", run.id, "run_corrected", declared, keys)
            text: list[str] = []
            build = partial(self._result, run, values, done.id, text)
            new = Correct(done.id, f"{done.id}-2", "mistyped", ended + 60 * SECOND, "b.lind", build, (change,))
            done, texts = do(new), text
        if number % RELEASED_EVERY == 0:
            self._sign(run, done, texts[0], ended + 120 * SECOND)
        return run, done, texts[0]

    def _result(
        self, run: RunRecord, values: dict[str, Any], supersedes: str | None, texts: list[str], sequence: int,
        point: AuditPoint, digest: str,
    ) -> tuple[str, list[Outgoing]]:  # fmt: skip
        like = self.like.result
        audit = {
            "audit_head": point.head, "audit_number": point.number, "audit_before": point.before,
            "audit_before_number": point.before_number, "journal_digest": digest, "run": run.id,
            "instrument": run.instrument, "operator": run.operator, "began": utc_iso(run.began_utc_ns),
            "ended": utc_iso(run.began_utc_ns + LASTS_NS),
        }  # fmt: skip
        data = like | {
            "value": values["value"],
            "sample": like["sample"]
            | {"id": run.sample, "lot": run.lot, "product": run.product, "fill": run.fill, "replicate": run.replicate},
            "origin": like["origin"] | audit,
            "verification": values["verification"],
            "supersedes": None if supersedes is None else {"source": self.writing.source, "id": supersedes},
            "verdict": like["verdict"] | {"verdict": values["verdict"]},
        }
        text = json.dumps(data, sort_keys=True, ensure_ascii=False)
        texts.append(text)
        if supersedes is not None:
            return text, []
        return text, [Outgoing(f"lab/v1/result/{run.instrument}", f'{{"sequence": {sequence}}}'.encode())]

    def _due(self, bench: str, run: RunRecord) -> dict[str, Any] | None:
        """Return the verification that a run is, once in `VERIFIED_EVERY_NS`; None for any other run."""
        if run.began_utc_ns - self._verified[bench] < VERIFIED_EVERY_NS:
            return None
        self._verified[bench] = run.began_utc_ns
        self._verifications += 1
        detail = AuditedVerification(
            run=run.id, result="r", passed=self._verifications % FAILED_EVERY != 0, condition="as_found", fluid=FLUID,
            lot="1", certificate="K-1", geometry="coaxial-12", geometry_serial="", serial=f"S-{bench}",
            levels=tuple(AuditedLevel(t, 0.3, accepted=True) for t in (20.0, 50.0, 80.0)), results_in_doubt=0,
        )  # fmt: skip
        found: dict[str, Any] = encode(detail)
        return found

    def _sign(self, run: RunRecord, done: Committed, text: str, utc_ns: int) -> None:
        part = SignedPart(kind="result", id=done.id, digest=digest_of(text))
        signed = Signature(
            id=f"s-{run.id}", of="run", subject=run.id, number=1, parts=(part,),
            digest=digest_of(json.dumps([part.model_dump()], sort_keys=True)), meaning="released", by="b.lind",
            signed_at="2026-01-05T11:00:00Z",
        )  # fmt: skip
        self._add(signed, "signed_as_released", utc_ns)

    def _report(self, sample: Sample, run: RunRecord, done: Committed, text: str) -> None:
        number = json.loads(text)["origin"]["audit_number"]
        shown = ShownResult(
            run=run.id, result=done.id, data=digest_of(text), journal=done.journal_digest, audit_number=number,
            audit_head=done.audit_head,
        )  # fmt: skip
        report = Report(
            id=digest_of(f"report {sample.id}"), form="certificate", of=run.id, sample=sample.id, title="Certificate",
            simulated=False, issued="2026-01-05", files=(digest_of(f"file {sample.id}"),), shown=(shown,),
        )  # fmt: skip
        self._add(report, "report_released", run.began_utc_ns + 3600 * SECOND)

    def _reportable(self, sample: Sample, made: list[tuple[RunRecord, Committed, str]], utc_ns: int) -> None:
        like = self.like.reportable["data"]
        attempts = [
            like["attempts"][0]
            | {"run": run.id, "instrument": run.instrument, "fill": run.fill, "result": done.id, "digest": digest_of(t)}
            for run, done, t in made
        ]
        ident, test = f"{sample.id}/{like['test']}", like["test"]
        data = like | {"sample": sample.id, "product": sample.product, "attempts": attempts}
        runs = [run.id for run, _, _ in made]
        record = {"id": ident, "sample": sample.id, "test": test, "runs": runs, "data": data}
        keys = [("sample", sample.id), *(("run", run) for run in runs)]
        self._change(Change("reportable", ident, "reportable_stored", record, keys), utc_ns)


def make(state: Path, size: Size) -> Path:
    """Write the state directory of a laboratory and return its database."""
    state.mkdir(mode=0o700, parents=True)
    path = database_path(state)
    with large_commits(path) as writing:
        Build(writing, size, template()).everything()
    return path
