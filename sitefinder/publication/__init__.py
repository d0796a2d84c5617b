"""A public edition of a run: made again from a public form of its inputs, with what it takes to replay it."""
