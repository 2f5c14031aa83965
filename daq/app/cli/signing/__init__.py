"""Commands about signatures and reportable results."""
