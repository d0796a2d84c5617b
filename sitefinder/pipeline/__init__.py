"""Stages as a graph and the workers that run them; knows nothing of rivers."""
