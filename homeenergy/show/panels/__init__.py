"""Panels of a notebook, and what they share."""
