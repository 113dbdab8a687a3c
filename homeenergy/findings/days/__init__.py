"""Energy of local days and of parts of them."""
