"""What each appliance uses, in one table."""
