"""Whole houses with known truth."""
