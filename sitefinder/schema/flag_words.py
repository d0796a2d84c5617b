"""What each flag of sites and reaches says in sentences, from where `sitefinder.schema.vocabulary` declares it."""

from sitefinder.schema.vocabulary import flag_phrases as flags_in_words

__all__ = ["flags_in_words"]
