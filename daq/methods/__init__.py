"""Methods of measuring and the meaning of a run: files, plans, conclusions, messages."""
