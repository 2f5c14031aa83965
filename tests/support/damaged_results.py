"""Damage a stored result behind the program's back."""

import json
import sqlite3
from contextlib import closing


def damaged_text(text, how):
    """Return a text that is damaged: ``no KEY``, ``KIND as KEY``, or the text itself."""
    if how.startswith("no "):
        return json.dumps({k: v for k, v in json.loads(text).items() if k != how.split()[1]})
    if " as " in how:
        kind, _, key = how.split()
        return json.dumps(json.loads(text) | {key: {"text": "x", "list": []}[kind]})
    return how


def damage(path, run, how):
    """Damage the newest result of a run in the database at `path`, `how` as in `damaged_text`; return its text."""
    with closing(sqlite3.connect(path)) as db, db:
        db.execute("DROP TRIGGER IF EXISTS results_no_update")
        db.execute("PRAGMA ignore_check_constraints = ON")
        newest = "SELECT id, data FROM results WHERE run = ? ORDER BY audit_seq DESC LIMIT 1"
        ident, text = db.execute(newest, (run,)).fetchone()
        db.execute("UPDATE results SET data = ? WHERE id = ?", (damaged_text(text, how), ident))
    return text
