"""Clamps against a reference meter."""
