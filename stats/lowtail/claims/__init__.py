"""A folder a question, each answered by a frozen record."""
