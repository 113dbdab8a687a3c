"""The store: logs on a regular grid, in Parquet, safe to delete."""
