"""Many houses."""
