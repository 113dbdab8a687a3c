"""Statistics: an estimate with its interval, means, differences, regression."""

from homeenergy.stats.estimate import Estimate

__all__ = ["Estimate"]
