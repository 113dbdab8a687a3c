"""Circuits against the mains: steps, legs, balance."""
