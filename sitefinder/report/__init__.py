"""Tables to the words that a person reads."""
