"""What each electrical appliance in a house really uses, and why."""

__version__ = "0.1.0"
