"""A year, from the days that were logged."""
