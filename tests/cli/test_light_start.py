"""Commands that list start without the models, drivers and libraries that they do not need."""

import subprocess
import sys

import pytest

HEAVY = ("asyncio", "numpy", "pandas", "pydantic", "rich", "scipy", "sqlite_utils", "structlog")
LIBRARIES = ("asyncio", "numpy", "pandas", "rich", "scipy", "sqlite_utils", "structlog")
"""Those of `HEAVY` that a command needs neither for its models nor for the files of the configuration."""


@pytest.mark.slow
@pytest.mark.parametrize(
    ("module", "without"),
    [
        ("daq.app.cli", ("daq.app.cli.common", "sqlite3", *HEAVY)),
        ("daq.app.cli.measuring.stop", ("daq.app.daemon.protocol", *HEAVY)),
        ("daq.app.cli.records.runs", ("daq.app.setup.catalogue", "daq.laboratory.record", *HEAVY)),
        ("daq.app.cli.laboratory.transcribe", ("daq.app.setup.catalogue", *HEAVY)),
        ("daq.app.cli.records.day", ("daq.app.setup.catalogue", *LIBRARIES)),
        ("daq.app.records.checks.doubts", ("daq.methods.planning.standing", "daq.app.setup.catalogue", *HEAVY)),
        ("daq.methods.concluding.reportable", ("daq.methods.concluding.budget", *LIBRARIES)),
        ("daq.app.cli.samples.sample", ("daq.app.setup.catalogue", "daq.app.records.readings", *LIBRARIES)),
        ("daq.app.cli.laboratory.review", ("daq.app.setup.catalogue", *LIBRARIES)),
        ("daq.app.cli.laboratory.case", ("daq.descriptions.load", *LIBRARIES)),
        ("daq.app.cli.laboratory.equipment", ("daq.descriptions.load", *LIBRARIES)),
        ("daq.app.cli.records.verification", ("daq.descriptions.load", *LIBRARIES)),
        ("daq.app.cli.laboratory.chart", ("daq.descriptions.load", *LIBRARIES)),
        ("daq.app.cli.laboratory.handover", ("daq.descriptions.load", "daq.methods.concluding.budget", *LIBRARIES)),
    ],
)
def test_a_command_imports_only_what_it_needs(module, without):
    program = f"import sys, {module}; print(*sys.modules)"
    done = subprocess.run([sys.executable, "-c", program], check=True, capture_output=True, text=True)
    assert module in (imported := done.stdout.split())
    assert sorted(set(without) & set(imported)) == []
