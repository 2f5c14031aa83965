"""The screens of the desk's work with the values that the handlers give them, over a copy of a database."""

import asyncio
import shutil
import tempfile
from pathlib import Path
from unittest.mock import patch
from urllib.parse import quote

from daq.app.daemon.trials.trial_file import TrialFinding, report_of, write_report
from daq.app.laboratory.acts import carry_out
from daq.app.laboratory.laboratory import new
from daq.laboratory.tokens import Token
from daq.laboratory.trials import DriverTrial
from daq.page import answers
from tests.page.visiting import MARKUP, Page
from tests.support.laboratories import FixedClock, laboratory
from tests.support.signed_laboratories import verify

SAMPLES = [
    {"id": "G-2001", "product": "clear-glaze", "lot": "2211", "priority": 1, "retained": {"place": "shelf 3", "discard_on": "2027-03-31"}},
    {"id": "G-2002", "product": "white-glaze", "lot": "2212", "remark": "second mill"},
    *({"id": f"G-{2003 + n}", "product": "casting-slip", "bench": "bench-2"} for n in range(25)),
]  # fmt: skip
TRIAL = report_of(
    DriverTrial(kind="kiln-scale", port="/dev/ttyUSB7"), "t", 0
).model_copy(update={
    "stage": "done", "received": 420, "sent": 3, "passed": 31, "remarks": ("line 3: the maker",), "description": 'kind = "kiln-scale"\n',
    "lines": (r"    0.100000 < ST,GS,+  100.00 g\r\n",) * 30, "values": ("mass 100 g",) * 30,
})  # fmt: skip
CHECK = "check-1"
"""Run of the verification that failed."""
LINES = "id,product,lot,due\nG-3001,clear-glaze,2220,\nG-3002,white-glaze,2221,\n"
WRONG = "id,product,lot,due\nG-3001,no-glaze,2220,\n,white-glaze,2221,\nG-2001,white-glaze,2221,never\n"


def furnish(lab, run):
    """Add what a desk has to work on: samples, a failed verification, equipment out of service, a note."""
    for order in SAMPLES:
        carry_out(lab, "sample_add", order)
    carry_out(lab, "equipment_out", {"piece": "bench-1/coaxial-15", "because": "dented"})
    carry_out(
        lab,
        "equipment_calibrated",
        {"piece": "bench-1", "certificate": "C-77", "day": "2025-01-07", "due": "2026-01-07"},
    )
    carry_out(lab, "note_add", {"run": run, "text": "cup was chipped"})
    verify(lab.store, CHECK, passed=False)
    lab.change(new(Token(id="line-display"), "token_added"), new(Token(id="registry", revoked=True), "token_added"))
    finding = TrialFinding(name="units", outcome="failed", message="no unit is declared", do="name the unit")
    write_report(lab.store.path.parent, TRIAL.model_copy(update={"findings": (finding,)}))


def addresses(run, product, lot, number):
    """Yield name and address of each screen."""
    yield from {
        "new": "/samples/new", "import": "/samples/import", "list": "/samples/list", "discard": "/samples/list?which=discard",
        "sample": "/sample?id=G-2001", "worklist": "/samples", "review": "/review?since=2020-01-01",
        "review-rejected": "/review?since=2020-01-01&meaning=rejected", "review-one": f"/review?subject={run}&meaning=measured",
        "reportables": "/review?since=2020-01-01&what=reportables", "repeats": "/review/repeats", "doubts": f"/review/doubts?verification={CHECK}",
        "result-doubted": f"/results/{run}", "changes": f"/results/{run}/changes", "compare": f"/compare?run={run}&run=last",
        "compare-none": "/compare?run=no-such-run",
        "charts": f"/charts?product={quote(product)}", "charts-none": "/charts", "charts-verification": "/charts?fluid=reference-b&instrument=bench-1",
        "equipment": "/equipment", "piece": "/equipment?piece=bench-1", "piece-out": "/equipment?piece=bench-1/coaxial-15",
        "figures": "/equipment/health?instrument=bench-1", "reports": "/reports", "trace": f"/reports/trace?report={number}", "day": "/reports/day?day=2026-11-29",
        "month": "/reports/month", "lot": f"/reports/lot?lot={quote(lot)}", "definitions": "/definitions",
        "definition": "/definitions/one?kind=product&id=clear-glaze", "definition-method": "/definitions/one?kind=method&id=clear-glaze-qc", "outbox": "/health/outbox",
        "tokens": "/health/tokens", "trial": "/health/trial",
    }.items()  # fmt: skip


SENT = {
    "import-checked": ("/samples/import", {"text": LINES, "step": "preview", "file": "samples.csv"}),
    "import-refused": ("/samples/import", {"text": WRONG, "step": "preview", "file": "samples.csv"}),
    "new-refused": ("/samples/new", {"id": "G-2001", "product": "white-glaze", "due": "never", "remark": "kept"}),
}


async def visited(lab, run, product, lot, number):
    """Return name, path, template and values of each screen."""
    out, seen = [], {}

    def keep(template, lang, values):
        seen.update(template=template, values=values)
        return ""

    async with Page(lab, people=False) as page:
        browser = await page.browser()
        with patch.object(answers, "render", keep):
            for name, path in addresses(run, product, lot, number):
                await browser.get(path)
                out.append((f"desk-{name}", path, dict(seen)))
            for name, (path, form) in SENT.items():
                await page.send(browser, "POST", path, form)
                out.append((f"desk-{name}", path, dict(seen)))
    return out


def desk_screens(database):
    """Return the screens over a copy of a database, with work to do added."""
    with tempfile.TemporaryDirectory() as folder:
        shutil.copyfile(database, Path(folder) / "daq.db")
        with laboratory(Path(folder)) as lab:
            with lab.reader() as reader:
                ended = [r for r in reader.runs(limit=200) if r.state == "ended"]
                runs = [r for r in ended if (found := reader.newest_result(r.id)) and found.supersedes is None]
                newest = max(r.ended_utc_ns or 0 for r in runs)
            lab.clock = FixedClock(newest + 10**9)
            chosen = next((r for r in runs if r.product and r.lot), runs[0])
            furnish(lab, chosen.id)
            number = carry_out(lab, "report_make", {"of": chosen.id})["number"]
            found = asyncio.run(visited(lab, chosen.id, chosen.product or "clear-glaze", chosen.lot or "L8", number))
    assert not any(MARKUP in str(values) for _, _, values in found)
    return found
