"""What a measure saves."""
