"""The judgement of a sample: its runs, and the version of its product."""
