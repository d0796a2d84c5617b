"""Rules: which features count, where they hold along the stream, and the verdict."""
