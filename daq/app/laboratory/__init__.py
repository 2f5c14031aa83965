"""The work around a run: samples, people and their records.  Each act is a function and one transaction."""
