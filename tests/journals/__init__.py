"""Stored journals, one for each format number: ``format-N.gz``, and ``format-N.json`` with its result.

`python -m tests.journals` writes both files for the present format number.  Run it when kinds of events or fields are
added to this format before a release.  Files of older formats stay unchanged.
"""

import gzip
import json
from pathlib import Path
from tempfile import TemporaryDirectory

from daq.adapters.paths import database_path
from daq.adapters.store.reading import Reader
from daq.core.header import FORMAT
from tests.support.runs.virtual_bench import StoredBench

FOLDER = Path(__file__).parent
FIRST = 1
"""The first format; journals from before it were never released."""
RESULT_KEYS = (
    "quantity",
    "value",
    "unit",
    "reported",
    "quality",
    "validity",
    "outcome",
    "uncertainty",
    "verdict",
    "steps",
)


def write() -> list[Path]:
    """Measure clear glaze on a simulated bench, and write the journal and the result of the run."""
    journal, result = FOLDER / f"format-{FORMAT}.gz", FOLDER / f"format-{FORMAT}.json"
    with TemporaryDirectory() as folder:
        bench = StoredBench(Path(folder) / "state")
        run = bench.measure("G-1041")
        with Reader(database_path(bench.state)) as reader:
            raw = b"".join(block.raw for block in reader.journal(run))
            data = json.loads(reader.results(run)[0].data)
    journal.write_bytes(gzip.compress(raw, mtime=0))
    result.write_text(json.dumps({k: data[k] for k in RESULT_KEYS}, indent=1) + "\n", encoding="utf-8")
    return [journal, result]


def raw_of(number):
    """Return the bytes of the stored journal of format `number`."""
    return gzip.decompress((FOLDER / f"format-{number}.gz").read_bytes())
