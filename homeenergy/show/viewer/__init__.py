"""The trace viewer."""
