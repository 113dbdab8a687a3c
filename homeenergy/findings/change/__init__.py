"""What changed, and when."""
