"""One stored result that is given any uncertainty, and the digits beyond it in a text."""

import contextlib
import io
import math
import re
from copy import deepcopy

from daq.adapters.paths import database_path
from daq.adapters.store.reading import Reader
from daq.app.records.history import history
from daq.methods.concluding.intervals import stated_interval
from daq.methods.parts.statement import state
from daq.quality.digits import decimals_for
from daq.quality.limits import as_reported
from daq.rheology.uncertainty import Component
from tests.support.runs.virtual_bench import StoredBench

VALUE = 806.5492328566363
NUMBER = re.compile(r"(?<![\w.-])\d+(?:\.\d+)?(?:e[+-]?\d+)?(?![\w-])")
"""A number by itself: ids and digests have digits too."""
EXPANDED = [m * 10.0**p for p in range(-4, 4) for m in (1.0, 1.04, 1.7, 2.5, 9.94, 9.96) if m * 10.0**p < 5000.0]


def beyond(text, expanded, near=VALUE):
    """Return the numbers near the value that have digits beyond the uncertainty."""
    places = decimals_for(expanded)
    found = []
    for token in NUMBER.findall(text):
        seen = float(token)
        written = (
            -math.floor(math.log10(near)) + len(token.replace(".", "")) - 1
            if "e" in token
            else len(token.partition(".")[2])
        )
        if abs(seen - near) <= 0.02 * near and (written > max(places, 0) or seen != float(as_reported(seen, places))):
            found.append(token)
    return found


def stored_result(folder):
    """Return the history of a measured run; its reader is open until it is closed."""
    bench = StoredBench(folder / "state")
    run = bench.measure("G-1041")
    with Reader(database_path(bench.state)) as reader:
        return history(reader, reader.run(run))


def given(stored, expanded, reported=None):
    """The stored result with VALUE in each of its places, and an uncertainty."""
    data = deepcopy(stored.data)
    u = stated_interval(VALUE, [Component("torque", expanded / 1.959963984540054)], (), unit=data["unit"]).model_dump(
        mode="json"
    )
    reason = state("above_limit", value=VALUE, limit=500.0, unit="mPa.s", expanded=expanded).model_dump(mode="json")
    limit = {"quantity": data["quantity"], "low": 100.0, "high": 500.0, "unit": data["unit"], "applies_at": {}, "verdict": "outside", "reasons": [reason]}  # fmt: skip
    data |= {"value": VALUE, "reported": reported, "uncertainty": u, "advice": [], "warnings": []}
    data["verdict"] |= {"verdict": "outside", "compared": reported or repr(VALUE), "rounding": "rounded" if reported else "unrounded", "limits": [limit], "reasons": [reason]}  # fmt: skip
    data["steps"] = [s | {"value": VALUE} for s in data["steps"]]
    data["conditions"]["signals"]["own_viscosity"] = {"value": VALUE, "unit": data["unit"]}
    data["corrected"] = {
        "value": VALUE, "reference_celsius": 20.0, "measured_celsius": 20.0, "factor": 1.0, "expanded": expanded, "k": 1.96,
        "left_out": [], "reason": None,
    }  # fmt: skip
    return data


def printed(print_it, *args):
    """Return the text that a function prints."""
    out = io.StringIO()
    with contextlib.redirect_stdout(out):
        print_it(*args)
    return out.getvalue()
