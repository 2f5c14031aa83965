"""Programs that tests start: daemons, instruments, brokers, database servers."""
