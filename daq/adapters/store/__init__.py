"""The store: one SQLite file, its schema, transactions, look-ups, audit trail and copies."""
