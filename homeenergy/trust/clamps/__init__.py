"""What a clamp reads, and its resolution."""
