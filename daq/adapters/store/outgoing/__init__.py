"""Messages on their way out, as the store keeps them: transactions, questions, and the comparison with their seals."""
