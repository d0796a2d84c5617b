"""The stages of a run: what each one reads, and the function that makes its result."""
