"""What a person decided about runs."""
