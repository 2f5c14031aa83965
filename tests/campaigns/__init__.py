"""Long campaigns, run by hand: ``python -m tests.campaigns.NAME``.  The tests beside them are short forms of each."""
