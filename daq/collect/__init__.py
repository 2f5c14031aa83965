"""The collector: results of many daemons from the broker into PostgreSQL, each of them once."""
