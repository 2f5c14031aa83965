"""Commands about the records of the laboratory."""
