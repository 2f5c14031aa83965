"""Campaign: every result arrives once after failures of every kind: ``python -m tests.campaigns.delivery --results 4000 --kills 20 --seed 1``."""
