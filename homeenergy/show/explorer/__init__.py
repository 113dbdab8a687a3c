"""The run explorer: look at runs, and overrule them."""
