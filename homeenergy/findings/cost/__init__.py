"""What energy costs, in money and carbon."""
