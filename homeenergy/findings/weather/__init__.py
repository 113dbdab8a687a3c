"""How energy depends on the weather."""
