"""Processes that write runs until they are killed at a named point between two statements."""

import os
import signal
import sys
import tempfile
from collections import Counter
from dataclasses import replace
from pathlib import Path

from daq.adapters.store.declaring.beginning import BeginConfigured, Fit, FixedText
from daq.adapters.store.declaring.correcting import Correct
from daq.adapters.store.declaring.publishing import AsSeen, PublishRecords
from daq.adapters.store.epochs import StartEpoch
from daq.adapters.store.outgoing.delivery import (
    Acknowledge,
    MarkChanged,
    NoteSession,
    Refused,
    ReleaseRefused,
    ReleaseTopic,
    RepeatAfter,
    RepeatSince,
    SendAgain,
)
from daq.adapters.store.outgoing.derived import AddDerived
from daq.adapters.store.outgoing.packing import PackDelivered
from daq.adapters.store.records import Change, ChangeRecords, change_record
from daq.adapters.store.rows import Outgoing
from daq.adapters.store.steps import publish
from daq.adapters.store.store import Store
from daq.adapters.store.transactions import (
    AppendBlock,
    Audit,
    NoteHealth,
    Ping,
    SeeInstrument,
)
from tests.support.runs.stored import T0, begin, blocks, builder, conclude, end, register


def script():
    """Return transactions of every kind, for several runs; the same at each call."""
    yield "ping", Ping()
    yield "register", register()
    for number in range(1, 4):
        run = f"run-{number}"
        first, second, third = blocks(3, seed=run.encode() * 20)
        yield f"see {number}", SeeInstrument("rotor-1", "rotational", f"S{number}", T0)
        piece = {"id": f"rotor-1 S{number}", "piece": "rotor-1", "part": "instrument", "serial": f"S{number}"}
        keys = [("piece", "rotor-1"), ("serial", f"instrument rotational S{number}"), ("listed", piece["id"])]
        yield f"equipment {number}", ChangeRecords(
            (Change("equipment", piece["id"], "equipment_calibrated", piece, keys),), T0, "m.keeper"
        )  # fmt: skip
        out = Change("equipment", piece["id"], "equipment_out_of_service", piece | {"out_of_service": "bent"}, keys, 1)
        yield f"out of service {number}", ChangeRecords((out,), T0, "m.keeper", "bent")
        back = Change("equipment", piece["id"], "equipment_back_in_service", piece, keys, 2)
        yield f"back {number}", ChangeRecords((back,), T0, "m.keeper", "straightened")
        yield (
            f"begin {number}",
            begin(run)
            if number == 1
            else BeginConfigured(
                replace(begin(run), counted=True),
                (("rotor-1", 0),),
                (FixedText(Change("text", f"text-{number}", "text_kept", {"text": "a"})),),
                Change("run_configuration", run, "run_configured", {"used": []}),
                (("piece", "rotor-1", 3 * number), ("serial", f"instrument rotational S{number}", 3)),
                sample_seen=0,
                before=opens_again(number) if number > 2 else None,
            ),
        )
        yield f"block {number}", AppendBlock(run, first)
        yield f"conclude {number}", conclude(
            run, block=second, result_id=f"result-{number}", verification={"passed": True, "run": run}, follow=follow(number)
        )  # fmt: skip
        yield f"end {number}", end(run, third)
        yield f"health {number}", NoteHealth(run, "rotor-1", T0, {"zero": 0.1 * number})
        yield f"refused {number}", Refused(number, "no", T0)
        yield f"acknowledge {number}", Acknowledge((number,), T0)
        yield f"again {number}", SendAgain(
            stream="rotor-1", sequences=(number, number), utc_ns=T0, who="m.keeper"
        )  # fmt: skip
        yield f"refused again {number}", Refused(number, "no", T0)
        yield f"topic {number}", ReleaseTopic("lab/v1/result/rotor-1", number)
        yield f"refused for good {number}", Refused(number, "never", T0, for_good=True)
        yield f"changed {number}", MarkChanged((number,), T0)
        yield f"released {number}", ReleaseRefused(T0, "m.keeper", "rotor-1")
        yield f"acknowledge again {number}", Acknowledge((number,), T0)
        yield f"repeat {number}", RepeatSince(T0, T0 + 1)
        yield f"repeat after {number}", RepeatAfter("rotor-1", 0, T0, T0 + 1)
        yield f"session {number}", NoteSession("127.0.0.1:1883 bench-1", T0 + number, is_open=True)
        new = Change("sample", run, "sample_added", {"id": run}, [("product", "clear-glaze")])
        other = Change("sample", f"other-{number}", "sample_added", {"id": "other"}, [("product", "engobe")])
        yield f"records {number}", ChangeRecords((new, other), T0, "m.keeper")
        changed = Change("sample", run, "sample_changed", {"id": run, "lot": "7"}, [("lot", "7")], after=1)
        yield f"record {number}", ChangeRecords((changed,), T0, "m.keeper", "a mistyped lot")
        value = {"id": f"read-{number}", "sample": run, "test": "flow cup", "value": 34.5, "state": "waiting"}
        first = Change("transcribed", value["id"], "value_transcribed", value, [("sample", run), ("open", run)])
        yield f"transcribed {number}", ChangeRecords((first,), T0, "m.keeper")
        second = Change("transcribed", value["id"], "transcription_confirmed", value, [("sample", run)], after=1)
        yield f"confirmed {number}", ChangeRecords((second,), T0, "a.firing")
        yield f"audit {number}", Audit(T0, "m.keeper", "noted", "bench")
    for number in range(1, 4):
        yield f"sign {number}", signed(f"run-{number}", f"result-{number}", f"s-{number}")
    declared = {"sample": "GL-0413", "product": "", "lot": "", "sampled_at": "", "operator": "m.keeper"}
    declared |= {"result": "result-4", "plan": None, "kept": None}
    declaration = Change("declaration", "run-3", "run_corrected", declared, [("sample", "GL-0413")])
    correction = Correct(
        "result-3", "result-4", "wrong lot", T0, "m.keeper", builder("run-3"),
        changes=(declaration, Change("note", "n-1", "note_added", {"run": "run-3", "text": "late"}, [("run", "run-3")])),
        verification={"passed": True, "run": "run-3"}, follow=follow("correct"),
    )  # fmt: skip
    yield "correct", correction
    for number in (1, 2):
        fitted = Change("fitted", "rotor-1", "geometry_fitted", {"geometry": f"cup-{number}"}, (), number - 1)
        yield f"fit {number}", Fit(fitted, T0, "m.keeper")
        curve = Outgoing("lab/v1/curve/rotor-1", b'{"points":[' + b"1," * 500 + b"1]}", id=f"curve-{number}")
        yield f"derived {number}", AddDerived(f"result-{number}", curve, T0)
    yield "acknowledge all", Acknowledge(tuple(range(1, 40)), T0)
    yield "pack 1", PackDelivered(0, 2 * T0)
    yield "pack 2", PackDelivered(0, 2 * T0)
    for number in (1, 2):
        yield f"epoch {number}", StartEpoch(reason="put back", least=number, utc_ns=T0)


def follow(number):
    """Return what follows from a result: a record and a message about another result, as of a suspended release."""

    def done(access):
        record = {"id": f"s-{number}", "verifications": [f"run-{number}"]}
        change_record(access, Change("suspension", f"s-{number}", "release_suspended", record, ()), T0, "daemon")
        publish(access, [("result-1", Outgoing("lab/v1/signature/rotor-1", b"{}", id=f"f-{number}"))], T0, "daemon")

    return done


def opens_again(number):
    """Return what is stored before a run whose start opens its sample again: the sample, a withdrawal, a message."""
    sample = {"id": "other", "state": "open"}
    withdrawn = Change("report", f"r-{number}", "report_withdrawn", {"state": "withdrawn"}, [("run", "run-1")])
    return PublishRecords(
        (Change("sample", "other-1", "sample_reopened", sample, [("product", "engobe")], after=1), withdrawn),
        (("result-1", Outgoing("lab/v1/signature/rotor-1", b"{}", id=f"withdrawn-{number}")),),
        AsSeen(records=(("sample", "other-1", 1),), keyed=(("report", "run", "run-1", 0),)),
        T0,
        "m.keeper",
        "torque was unsteady",
    )


def signed(run, result, ident):
    """Return the transaction of a signature under a run, which also withdraws another one, with two messages."""
    withdrawn = Change("sample", run, "sample_changed", {"id": run, "lot": "8"}, [("lot", "8")], after=2)
    topic = "lab/v1/signature/rotor-1"
    return PublishRecords(
        (Change("signature", ident, "signed_as_released", {"subject": run}, [("run", run)]), withdrawn),
        ((result, Outgoing(topic, b"{}", id=ident)), (result, Outgoing(topic, b"[]", id=f"{ident} withdrawn"))),
        AsSeen(
            results=((run, result),),
            records=(("sample", run, 2),),
            verified=(("bench-9", 0),),
            signed=(("run", run, 0),),
        ),
        T0,
        "m.keeper",
        follow=follow(ident),
    )


def all_points() -> dict[str, int]:
    """Return how often the script passes each point between two statements, in order."""
    seen: list[str] = []
    with tempfile.TemporaryDirectory() as folder, Store(f"{folder}/daq.sqlite", crash_hook=seen.append) as store:
        for _, transaction in script():
            store.submit(transaction).result(20)
    return dict(Counter(seen))


def points_of(name: str) -> list[tuple[str, int]]:
    """Return the points that one transaction of the script passes, in order, each with its earlier passes."""
    seen: list[str] = []
    with tempfile.TemporaryDirectory() as folder, Store(f"{folder}/daq.sqlite", crash_hook=seen.append) as store:
        for each, transaction in script():
            before = len(seen)
            store.submit(transaction).result(20)
            if each == name:
                return [(point, seen[:at].count(point)) for at, point in enumerate(seen) if at >= before]
    raise ValueError(name)


def write_until_killed(path: str, point: str, skip: int, report: str) -> None:
    """Run the script and die at the point after passing it `skip` times; `report` gets the confirmed transactions."""
    left = skip

    def hook(name: str) -> None:
        nonlocal left
        if name == point:
            if left == 0:
                os.kill(os.getpid(), signal.SIGKILL)
            left -= 1

    with (
        Path(report).open("w", buffering=1, encoding="utf-8") as confirmed,
        Store(path, crash_hook=hook, utc_ns=T0) as store,
    ):
        for name, transaction in script():
            store.submit(transaction).result(20)
            confirmed.write(name + "\n")


def main() -> None:
    """Read lines ``FILE POINT SKIP REPORT``; for each fork a process that dies, and print how it ended."""
    for line in sys.stdin:
        path, point, skip, report = line.split()
        pid = os.fork()
        if pid == 0:
            write_until_killed(path, point, int(skip), report)
            os._exit(0)
        _, status = os.waitpid(pid, 0)
        print(os.waitstatus_to_exitcode(status), flush=True)


if __name__ == "__main__":
    main()
