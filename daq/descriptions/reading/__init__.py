"""Reading of lines: fields to numbers and faults, lines to readings, and the fast paths of readings without faults."""
