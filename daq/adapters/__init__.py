"""Everything that touches the world: files, ports, clocks, brokers."""
