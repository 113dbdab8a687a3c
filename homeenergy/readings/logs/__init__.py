"""Logs as they were written: described, and read row by row."""
