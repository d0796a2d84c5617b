"""Turbines, energy over the duration curve, cost and uncertainty."""
