"""`python -m homeenergy.cli`."""

from homeenergy.cli import main

main()
