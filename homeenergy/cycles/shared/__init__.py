"""Several loads on one circuit: which draws when, from the watts of their sum."""
