"""What is measured and how, and what a run means: files, plans, conclusions, messages."""
