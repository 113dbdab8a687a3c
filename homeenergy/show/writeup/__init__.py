"""The write-up: a document about a house that can be sent, edited and checked."""

from homeenergy.show.writeup.basis import differences
from homeenergy.show.writeup.visit import visit_up
from homeenergy.show.writeup.write_up import WriteUp, write_up

__all__ = ["WriteUp", "differences", "visit_up", "write_up"]
