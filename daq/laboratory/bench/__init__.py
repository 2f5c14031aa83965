"""The work at one bench through a shift: a pure state machine with its checklist and its counts."""
