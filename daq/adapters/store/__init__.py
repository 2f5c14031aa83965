"""The store: one SQLite file with its schema, transactions, queries, audit trail and copies."""
