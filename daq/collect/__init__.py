"""The collector: writes the results of many daemons from the broker into PostgreSQL, each result once."""
