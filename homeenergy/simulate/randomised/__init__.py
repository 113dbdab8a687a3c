"""Appliances and logs whose structure is drawn at random, not only their numbers."""
