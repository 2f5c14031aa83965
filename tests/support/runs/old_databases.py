"""Databases of old formats, from the dumps in ``tests/store/old``."""

import sqlite3
from pathlib import Path

from daq.adapters.store.store import APPLICATION_ID

OLD = Path(__file__).parents[2] / "store" / "old"


def from_dump(path: Path, name: str, version: int) -> Path:
    """Make the database of a dump, with the format number that the dump does not have, and return it."""
    connection = sqlite3.connect(path)
    connection.executescript((OLD / f"{name}.sql").read_text("utf-8"))
    connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
    connection.execute(f"PRAGMA user_version = {version}")
    connection.close()
    return path
