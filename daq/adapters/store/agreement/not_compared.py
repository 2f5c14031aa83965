"""Columns without a second copy: a change of them cannot be named, and the reason why none is kept."""

from typing import Final

NOT_COMPARED: Final = {
    ("meta", "created_utc_ns"): "nothing is computed from it; the first audit entry has a time of its own",
    ("instruments", "last_seen_utc_ns"): "replaced at every connection; each run has its own times",
    ("delivery", "attempts"): "counts attempts of delivery, for a person; no content and no decision depends on it",
    ("delivery", "last_error"): "the broker's last answer, for a person; that of an overtaken message is compared",
    ("delivery", "acknowledged_utc_ns"): "time of the last delivery, replaced when the message is sent again; whether "
    "there is one is compared with the state",
    (
        "delivery",
        "refused_utc_ns",
    ): "time of the first refusal, for a person; whether there is one is compared with the state",
    ("delivery", "again_utc_ns"): "time at which a person or consumer asked again, for a person",
    ("broker_session", "id"): "the table accepts only 1; SQLite's integrity check names another value",
    ("broker_session", "broker"): "memory of the last connection; a wrong one sends messages again, with the same ids",
    (
        "broker_session",
        "known_utc_ns",
    ): "memory of the last connection; a wrong one sends messages again, with the same ids",
    ("broker_session", "open"): "memory of the last connection; a wrong one sends messages again, with the same ids",
    (
        "_sqlite_migrations",
        "applied_at",
    ): "time of a change of the tables, for a person; the tables themselves are compared",
}
"""(table, column): why no other copy of it is kept."""

ROWS_NOT_COMPARED: Final = {
    "broker_session": "memory of the last connection; without it messages are sent again, with the same ids",
    "audit": "the last entries of the trail, where no other row refers to them: only a head that was kept outside "
    "shows that they are missing (`daq verify MESSAGE.json`, `daq verify --head HASH`)",
}
"""Table: why the removal of a row of it, or of some rows, is not named."""
