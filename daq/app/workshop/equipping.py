"""Findings about equipment: calibrations, verifications and controls due, constants, pieces out of service."""

import os
from collections.abc import Iterator
from pathlib import Path

from daq.adapters.paths import database_path
from daq.adapters.store.checks import Finding
from daq.adapters.store.reading import Reader
from daq.app.laboratory.equipment.inventory import Line, inventory
from daq.app.records.checks.controls import required_controls
from daq.app.setup.catalogue import Catalogue
from daq.core.errors import StoreError


def equipment_findings(catalogue: Catalogue, folder: Path, now_utc_ns: int) -> Iterator[Finding]:
    """Yield the findings about equipment; none where nothing is recorded, or another login owns the database.

    Args:
        catalogue: the configuration.
        folder: the state directory.
        now_utc_ns: the present time, UTC.
    """
    database = database_path(folder)
    if not os.access(folder, os.X_OK) or not os.access(database, os.R_OK):
        return
    try:
        with Reader(database) as reader:
            lines = inventory(catalogue, reader, now_utc_ns)
            controls = required_controls(reader, catalogue, now_utc_ns)
    except StoreError:
        return  # the checks of the database give the reason
    for line in lines:
        yield from _of(line)
    for control in controls:
        if control.found.state != "passed":
            text = f"control {control.found.fluid}: {control.found.state.replace('_', ' ')}"
            do = "measure the control fluid; until it passes, results are Uncertain"
            yield Finding(False, f"control of {control.words}", text, do)


def _of(line: Line) -> Iterator[Finding]:
    name = f"equipment {line.piece}"
    if not line.in_service:
        yield Finding(True, name, f"{line.state}; `daq equipment back` puts it back")
    if line.calibration_overdue:
        do = "have it calibrated, then record it: daq equipment calibrated; until then its results are Uncertain"
        yield Finding(False, name, f"calibration {line.calibration}", do)
    if line.verification_overdue:
        do = "verify it with a certified fluid; until then its results are Uncertain"
        yield Finding(False, name, f"verification {line.verification}", do)
    for text in line.remarks:
        yield Finding(False, name, text, "compare certificate and file, then correct the one that is wrong")
