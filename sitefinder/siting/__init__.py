"""Stretches, rules, verdicts, the best set without overlap and its ranking."""
