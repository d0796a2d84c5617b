"""Flows by regional equations or fitted gauges, duration curves and reserved flow."""
