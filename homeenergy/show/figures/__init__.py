"""Figures, each the answer to one question."""
