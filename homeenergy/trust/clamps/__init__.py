"""What a clamp reads, and what it can tell."""
