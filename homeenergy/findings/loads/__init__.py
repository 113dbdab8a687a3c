"""Questions to one sort of load."""
