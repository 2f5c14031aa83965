"""Every result once, whatever breaks: ``python -m tests.delivery_campaign --results 4000 --kills 20 --seed 1``."""
