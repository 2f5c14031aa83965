"""The work at the benches: the daemon holds one state machine for each."""
