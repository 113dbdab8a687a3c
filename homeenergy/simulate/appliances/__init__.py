"""Appliances with known truth."""
