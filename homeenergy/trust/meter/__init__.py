"""The mains against the utility meter."""
