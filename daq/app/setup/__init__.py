"""The configuration: catalogue, drivers, ports, certificates, and what a run is made from."""
