"""Samples to stretches of constant power."""
