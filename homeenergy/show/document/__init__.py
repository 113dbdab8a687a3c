"""Documents and records, from blocks."""
