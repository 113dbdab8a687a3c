"""Which of two uses more."""
