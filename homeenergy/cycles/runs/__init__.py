"""Stretches to runs."""
