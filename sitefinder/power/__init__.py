"""Machines, energy over the duration curve, cost and how sure it is."""
