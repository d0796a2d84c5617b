"""What changed between two runs, and why."""
