"""Every result once, whatever breaks: ``python -m tests.campaigns.delivery --results 4000 --kills 20 --seed 1``."""
