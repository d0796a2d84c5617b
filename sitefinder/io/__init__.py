"""The only place that opens users' files."""
