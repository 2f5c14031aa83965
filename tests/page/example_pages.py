"""Every screen of the page with example data of the glaze works, made by the project's own models."""

from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, get_args

from daq.adapters.store.reading import Reader
from daq.app.daemon.protocol import InstrumentStatus, OutboxStatus, Status
from daq.app.daemon.queries.registry import answered
from daq.app.screens.bench.bench_view import BenchView, CupShown, GeometryShown, ItemShown, ListedSample
from daq.app.screens.run_view import RunView, SeekShown
from daq.core.encoding import encode
from daq.core.ruleprogress import RuleProgress
from daq.laboratory.bench.benchstate import Stage
from daq.laboratory.bench.flow import ASKS, OFFERED, present_list
from daq.laboratory.samples import Sample
from daq.methods.parts.statement import state
from tests.bench_flow.flows import FACTS, SLOW, in_stage
from tests.page.example_desk import desk_screens
from tests.support.views import MEASURING, changed, saturated

STAGES = get_args(Stage)
NOW = 1_790_000_000_000_000_000
OUT = (
    "coaxial-12 (serial number S-12) is out of service, by m.keeper, 2026-11-29T08:20:00.000Z: dented; when it can be used "
    "again, a person who reviews puts it back: daq equipment back bench-1/coaxial-12 --because TEXT"
)
"""Why a geometry must not be used, as the daemon writes it."""
GEOMETRIES = {
    "coaxial_cylinders": GeometryShown(name="coaxial-12", kind="coaxial_cylinders", vessel="cup 15", fill_volume=25.0),
    "single_cylinder_in_large_vessel": GeometryShown(
        name="cylinder-9", kind="single_cylinder_in_large_vessel", vessel="jar 85", fill_volume=420.0,
        immersion="upper face of the rotor 12 mm below the surface",
    ),
    "vane": GeometryShown(name="vane-20", kind="vane", vessel="jar 85", fill_volume=420.0, immersion="two diameters below the surface"),
    "cone_and_plate": GeometryShown(name="cone-2", kind="cone_and_plate", fill_volume=0.6),
    "parallel_plates": GeometryShown(name="plates-1", kind="parallel_plates", fill_volume=1.2),
    "disc": GeometryShown(name="disc-15", kind="disc", vessel="beaker 90", fill_volume=500.0),
    "calibrated_constants": GeometryShown(name="paddle-2", kind="calibrated_constants", vessel="jar 85"),
}  # fmt: skip
RUN = replace(
    MEASURING,
    instrument="bench-1",
    method="clear-glaze-qc 1",
    sample="G-1042",
    run_s=152.4,
    step=replace(MEASURING.step, number=1, of=1, name="reading", speed=20.0),
    signals=MEASURING.signals | {"speed": 20.003, "shear_rate": 14.21, "stress": 11.54},
    units=MEASURING.units | {"shear_rate": "/s", "stress": "Pa"},
    decimals={"viscosity": 0, "speed": 1, "shear_rate": 2, "stress": 2},
    temperature=replace(MEASURING.temperature, signal="temperature", low=24.8, high=25.2)
    if MEASURING.temperature
    else None,
    rules=(RuleProgress("elapsed ≥ 60 s", "above", False, "elapsed", 41.0, 60.0, 0.68, False),),
)
SEEKING = replace(
    RUN,
    state="seeking",
    value=None,
    seek=SeekShown(low=40.0, high=80.0, number=2, most=6),
    rules=(
        RuleProgress("viscosity steady within 1 % over 20 s", "steady", True, "viscosity", 0.023, 0.01, 0.4, False),
        RuleProgress("torque 40 to 80 % for 10 s", "between", False, "torque", 45.2, 40.0, 0.8, False),
    ),
)


@dataclass(frozen=True)
class ExamplePage:
    """A screen: its name, address, template and values."""

    name: str
    path: str
    template: str
    values: dict[str, Any] = field(repr=False)


def bench_view(stage: str, **more: Any) -> BenchView:
    """Return the view of a bench in a stage."""
    found = in_stage(stage)
    due = ("08:20", "08:40", "09:00", "09:30", "", "", "")
    listed = tuple(
        ListedSample(f"G-{1042 + n}", ("clear-glaze", "white-glaze", "casting-slip")[n % 3], f"22{11 + n}", due[n], 5, n in (1, 2), 540.0 if n == 0 else None, 1800.0)
        for n in range(7)
    )  # fmt: skip
    given: dict[str, Any] = {
        "bench": "bench-1", "title": "Glaze works, quality laboratory, bench 1", "revision": 7, "stage": stage,
        "asks": ASKS.get(found.stage, ""), "commands": OFFERED[found.stage], "connection": "ready",
        "fitted": "coaxial-12 (serial number S-12)", "sample": "G-1042", "product": "clear-glaze", "lot": "2211",
        "method": "clear-glaze-qc 1", "caution": "Contains fine silica. Wear gloves and goggles.",
        "items": tuple(ItemShown(**i.model_dump()) for i in present_list(found, FACTS)), "worklist": listed,
        "cups": (CupShown("G-1045", 600.0), CupShown("G-1046", 240.0)), "discard": found.discard, "run": "3f2a91bc-0000-4000-8000-000000000001",
        "signal": "temperature", "low": 24.8, "high": 25.2,
        "stirring_left_s": 44.2 if stage == "checking" else 0.0, "resting_left_s": 200.0 if stage == "resting" else 0.0,
        "draft": "", "verdict": "within", "validity": "valid", "repeat": "free", "outcome": "complete" if stage in ("verdict", "repeating", "waiting", "remarking") else "",
    }  # fmt: skip
    if stage == "checking":
        given["items"] = tuple(
            ItemShown(**i.model_dump())
            for i in present_list(
                found.model_copy(update={"named": SLOW, "skipped": ("no_bubbles",), "since_ns": FACTS.mono_ns}), FACTS
            )
        )
    return BenchView(**(given | more))


def bench_live(view: BenchView | None, run: RunView | None = None, **reading: Any) -> dict[str, Any]:
    """Return `BenchLive` as the handlers give it."""
    newest = {
        "values": dict(run.signals) if run else {"torque": 0.1, "speed": 0.0, "temperature": 25.0},
        "units": dict(run.units) if run else {"torque": "%", "speed": "/min", "temperature": "Cel"},
        "faults": [], "connection": "in_run" if run else "ready", "motor": "", "still": run is None, "age_s": 0.1,
    }  # fmt: skip
    return {
        "bench": view.bench if view else "bench-9",
        "view": None if view is None else encode(view),
        "run": None if run is None else encode(run),
        "reading": newest | reading,
    }


def frame(path: str, **more: Any) -> dict[str, Any]:
    """Return the values that every template has."""
    paired = more.get("paired", "")
    return {
        "theme": "system",
        "person": "m.keeper",
        "role": "review",
        "people": True,
        "csrf": "c" * 43,
        "paired": "",
        "paired_live": {"bench": paired, "view": None, "run": None, "reading": None} if paired else None,
        "path": path,
        "benches_menu": ["bench-1", "bench-2", "bench-3"],
    } | more


def bench_pages(result: dict[str, Any] | None = None) -> list[ExamplePage]:
    """Return the screens at a bench: every stage, and the states that must not be missed."""

    def made(name: str, live: dict[str, Any], kind: str = "coaxial_cylinders", **more: Any) -> ExamplePage:
        path = f"/bench/{name}"
        if live["view"]:
            live["view"]["geometry"] = encode(GEOMETRIES[kind])
        values = frame(
            path,
            paired="bench-1",
            bench=live,
            link={"daemon": True, "reason": ""},
            refused="",
            stop="",
        )
        return ExamplePage(f"bench-{name}", path, "bench.html", values | more)

    pages = []
    for stage in STAGES:
        has_result = stage in ("verdict", "repeating", "waiting", "remarking")
        view = bench_view(stage, result=result if has_result else None)
        pages.append(
            made(
                stage,
                bench_live(view, RUN if stage == "running" else None),
                "single_cylinder_in_large_vessel" if stage == "fitting" else "coaxial_cylinders",
            )
        )
    advice = (
        state(
            "other_speed",
            beyond=110.0,
            speed=60.0,
            value_at_least=791.571,
            unit="mPa.s",
            new_speed=30.0,
            expected_least=55.0,
            index=1.0,
            limit_speeds=(12.0, 6.0),
        ),
    )
    too_much = replace(saturated(), instrument="bench-1", sample="G-1042", advice=tuple(a.written() for a in advice))
    if too_much.value:
        too_much = replace(too_much, value=replace(too_much.value, reasons=(state("saturated").written(),)))
    doubtful = changed(RUN, signals={"torque": 6.21, "viscosity": 111.5}, temperature=RUN.temperature)
    if doubtful.value:
        doubtful = replace(
            doubtful,
            value=replace(
                doubtful.value,
                value=111.5,
                quality="Uncertain_SensorNotAccurate",
                reasons=(state("below_band", torque=6.21).written(),),
            ),
        )
    running = bench_view("running")
    pages += [
        made("running-saturated", bench_live(running, too_much)),
        made("running-doubtful", bench_live(running, doubtful)),
        made("running-bath", bench_live(bench_view("running", cups=(CupShown("G-1042", 1860.0), CupShown("G-1046", 240.0))), RUN)),
        made("running-seeking", bench_live(running, SEEKING)),
        made("running-turning", bench_live(running, replace(RUN, state="stopping", motor="may_still_be_turning"), motor="in_doubt", still=False)),
        made("running-lost", bench_live(running, RUN), link={"daemon": False, "reason": "the daemon does not answer"}),
        made("zeroing-other-run", bench_live(bench_view("zeroing", run=""), RUN)),
        made("choosing-out", bench_live(bench_view("choosing", out_of_service=OUT, connection="connecting"))),
        made("choosing-empty", bench_live(bench_view("choosing", worklist=(), cups=(), message="sample_refused", values={"reason": "no sample 'X-1' is registered", "refusal": "sample_unknown", "sample": "X-1"}))),
        made("checking-refused", bench_live(bench_view("checking", message="not_met_zero")), refused="the bench has changed in the meantime"),
        made("choosing-elsewhere", bench_live(bench_view("choosing")), paired="bench-2"),
        made("choosing-unpaired", bench_live(bench_view("choosing")), paired="", people=False, person="", role=""),
        made("running-unpaired", bench_live(running, RUN), paired="", people=False, person="", role=""),
        made("running-elsewhere", bench_live(running, RUN), paired="bench-2"),
        made("running-stop-taken", bench_live(running, RUN), stop="taken"),
        made("choosing-stop-failed", bench_live(bench_view("choosing")), stop="failed", link={"daemon": False, "reason": "the daemon does not answer"}),
        made("nothing-known", bench_live(None), link={"daemon": False, "reason": "the daemon was not reached yet"}),
        made("remarking-chosen", bench_live(bench_view("remarking", draft="Skin on the surface"))),
        made("discarding-many", bench_live(bench_view("discarding", discard=tuple(f"G-{n}" for n in range(1042, 1054))))),
        made("fitting-vane", bench_live(bench_view("fitting")), "vane"),
        made("fitting-cone", bench_live(bench_view("fitting")), "cone_and_plate"),
        made("fitting-plates", bench_live(bench_view("fitting")), "parallel_plates"),
        made("fitting-disc", bench_live(bench_view("fitting")), "disc"),
        made("fitting-paddle", bench_live(bench_view("fitting")), "calibrated_constants"),
    ]  # fmt: skip
    if result is not None:
        bad = result | {
            "validity": "not_valid", "value": None, "reasons": [state("saturated").model_dump(mode="json")],
            "advice": [a.model_dump(mode="json") for a in advice],
        }  # fmt: skip
        edges = state("above_limit", value=956.7891, limit=900.0, unit="mPa.s", expanded=17.4).model_dump(mode="json")
        out = result | {"value": 956.7891, "reported": "957", "uncertainty": result["uncertainty"] | {"expanded": 17.4}}
        out["verdict"] = result["verdict"] | {"verdict": "outside", "reasons": [edges]}
        pages += [
            made("verdict-not-valid", bench_live(bench_view("verdict", result=bad, validity="not_valid"))),
            made("verdict-outside", bench_live(bench_view("verdict", result=out, verdict="outside", repeat="cause"))),
            made("verdict-none", bench_live(bench_view("verdict", result=None, outcome="failed", validity=""))),
        ]  # fmt: skip
    return pages


def plain_desk_pages() -> list[ExamplePage]:
    """Return the screens on the desk that show nothing of a database."""
    none = NOTHING | {"absent": ["sample 'X-9': no run has it"]}
    cards = [
        bench_live(bench_view("running"), RUN),
        bench_live(bench_view("choosing", bench="bench-2", title="Glaze works, quality laboratory, bench 2", fitted="cylinder-9", sample="")),
        bench_live(bench_view("zeroing", bench="bench-3", title="Glaze works, mill room, bench 3", sample="")),
        bench_live(bench_view("choosing", bench="bench-4", title="Glaze works, bench 4", out_of_service=OUT)),
        bench_live(bench_view("choosing", bench="bench-5", title="Glaze works, bench 5", connection="connecting")),
        bench_live(bench_view("verdict", bench="bench-6", title="Glaze works, bench 6"), motor="in_doubt", still=False),
        bench_live(None),
    ]  # fmt: skip
    status = Status(
        instruments={
            "bench-1": InstrumentStatus("in_run", "", "R-1042", None, "coaxial-12 (S-12)"),
            "bench-2": InstrumentStatus("ready", "", "R-1043", None, "cylinder-9"),
            "bench-3": InstrumentStatus("connecting", "/dev/daq-bench-3 is not there", None, "may_still_be_turning"),
        },
        runs={}, store="", broker=None, sparkplug=None, outbox=OutboxStatus(waiting=3), configuration=("products/engobe.toml: low: must be a number",),
    )  # fmt: skip
    due = Sample(
        id="G-1042",
        product="clear-glaze",
        lot="2211",
        due="2026-11-29T08:20:00+00:00",
        sampled_at="2026-11-29T06:00:00+00:00",
        priority=1,
    )
    return [
        ExamplePage("desk", "/", "desk.html", frame("/", benches=cards, link={"daemon": True, "reason": ""}, paired="bench-1")),
        ExamplePage("desk-empty", "/", "desk.html", frame("/", benches=[], link={"daemon": False, "reason": "the daemon does not answer"})),
        ExamplePage("results-none", "/results", "results.html", frame("/results", **none, **CHOICES, asked=FILTERS | {"sample": "X-9"})),
        ExamplePage("samples", "/samples", "samples.html", frame("/samples", samples=[{"sample": s.model_dump(mode="json"), "state": s.state} for s in (due, Sample(id="G-1043", bench="bench-2"))], more=True)),
        ExamplePage("samples-empty", "/samples", "samples.html", frame("/samples", samples=[], more=False)),
        ExamplePage("health", "/health", "health.html", frame("/health", read_at="2026-11-29T15:04:05Z", status=encode(status))),
        ExamplePage("log-in", "/log-in", "log_in.html", frame("/log-in", person="", refused="the log-in was refused", next="/")),
        *(
            ExamplePage(f"error-{status}", "/error", "error.html", frame("/error", status=status, reason=reason, alone=False, paired="bench-1"))
            for status, reason in ERRORS.items()
        ),
        ExamplePage("log-in-first", "/log-in", "log_in.html", frame("/log-in", person="", role="", refused="", next="/bench/bench-1", paired="bench-1")),
        ExamplePage("health-empty", "/health", "health.html", frame("/health", read_at="2026-11-29T15:04:05Z", status=encode(Status(instruments={}, runs={}, store="the disk is full", broker=None, sparkplug=None)))),
        ExamplePage("results-refused", "/results", "results.html", frame("/results", **NOTHING, **(CHOICES | {"refused": "since: is no time"}), asked=FILTERS | {"since": "soon"})),
    ]  # fmt: skip


ERRORS = {
    401: "log in first", 403: "this needs the role review; m.keeper has the role measure", 404: "there is no such bench",
    409: "the bench shows an earlier state", 422: "id: is missing", 429: "too many attempts", 500: "fault of the software; the page's log has more",
    502: "the daemon failed", 503: "the daemon does not answer",
}  # fmt: skip
NOTHING = {"rows": [], "reached": None, "absent": [], "by_hand": []}
FILTERS = dict.fromkeys(
    ("sample", "lot", "product", "operator", "instrument", "outcome", "verdict", "since", "until"), ""
) | {"limit": "50"}
CHOICES = {
    "verdicts": ["within", "outside", "undecided", "not_comparable", "none"],
    "outcomes": ["complete", "stopped", "interrupted", "failed", "running"],
    "csv": {"asked": {"lot": "2211"}, "most": 500},
    "refused": "",
}


def result_pages(reader: Reader) -> list[ExamplePage]:
    """Return the list of results and one result of each method, from a database."""
    ask = lambda name, **asked: answered(reader, name, asked, NOW)  # noqa: E731
    rows = ask("runs", limit=50)
    lists = {key: rows[key] for key in ("rows", "reached", "absent", "by_hand")}
    pages = [ExamplePage("results", "/results", "results.html", frame("/results", **lists, **CHOICES, asked=FILTERS))]
    seen: set[str] = set()
    for row in rows["rows"]:
        if row["method_id"] not in seen and len(seen) < 6:
            seen.add(row["method_id"])
            found = ask("run", run=row["run"])
            pages.append(
                ExamplePage(f"result-{len(seen)}", f"/results/{row['run']}", "result.html", frame("/results", **found))
            )
    return pages


def newest_result(reader: Reader) -> dict[str, Any] | None:
    """Return `ResultData` of a valid run with limits, otherwise of any run."""
    rows = answered(reader, "runs", {"limit": 100}, NOW)["rows"]
    ranked = sorted(
        (r for r in rows if r["value"] is not None),
        key=lambda r: (r["quantity"] != "viscosity", r["validity"] != "valid", r["verdict"] != "within"),
    )
    if not ranked:
        return None
    found: dict[str, Any] = answered(reader, "run", {"run": ranked[0]["run"]}, NOW)["history"]["result"]
    return found


def every_page(database: Path) -> list[ExamplePage]:
    """Return every screen, with the results of a database."""
    with Reader(database) as reader:
        pages = [*plain_desk_pages(), *result_pages(reader), *bench_pages(newest_result(reader))]
    return pages + [
        ExamplePage(name, path, seen["template"], seen["values"]) for name, path, seen in desk_screens(database)
    ]
