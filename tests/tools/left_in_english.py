"""English texts of the catalogues that a delivery in another language still shows."""

import re
from collections import Counter
from functools import cache

from messages import messages, translations

# A text of fewer words may be a name in any language.
MIN_WORDS = 2
WORD = re.compile(r"[A-Za-z]{2,}")
TOKEN, WITHIN_WORD = re.compile(r"\w+"), re.compile(r"[\w-]")


def left_in_english(shown, tag, names=()):
    """English texts within a delivery in another language.

    Parameters
    ----------
    shown : str
        All that is shown.
    tag : str
        Its language.
    names : collection of str
        Texts of the user's that happen to be among ours.

    Returns
    -------
    list of str
        Of each text of the catalogue that is there, the longest part between placeholders, if it has two words and
        no translation has it too.
    """
    shown = re.sub(r"\s+", " ", shown)
    words = set(TOKEN.findall(shown))
    # A text is only looked for where all of its words are, which takes a hundredth of the time.
    return [part for part, own in _parts(tag) if own <= words and part not in names and _stands_in(part, shown)]


# Whether a text stands there by itself, not within a longer word.
def _stands_in(part, shown):
    at = shown.find(part)
    while at >= 0:
        end = at + len(part)
        if not WITHIN_WORD.match(shown[at - 1 : at]) and not WITHIN_WORD.match(shown[end : end + 1]):
            return True
        at = shown.find(part, at + 1)
    return False


# The parts of texts that no translation has too, each once and in order, with their words.
@cache
def _parts(tag):
    translated = "\n".join(text for each in translations(tag).values() for text in each)
    texts = {text for message in messages() for text in (message.text, message.plural) if text}
    parts = {max(re.split(r"\{\w+\}", text), key=len).strip(" .,;:()") for text in texts}
    return [
        (part, frozenset(TOKEN.findall(part)))
        for part in sorted(parts)
        if len(WORD.findall(part)) >= MIN_WORDS and part not in translated
    ]


# Figures, not those within a name such as P90.
FIGURE = re.compile(r"(?<![\w.,])[-−+]?\d[\d.,]*(?<![.,])")


def figures_in(shown, swapped=False):
    """How often each figure is in a text; of one with decimal commas, with commas and points swapped."""
    signs = str.maketrans(".,", ",.") if swapped else {}
    return Counter(figure.translate(signs) for figure in FIGURE.findall(shown))
