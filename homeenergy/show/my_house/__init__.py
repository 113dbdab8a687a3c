"""The house that all notebooks are about: which it is, what it has, what is said of it first."""
