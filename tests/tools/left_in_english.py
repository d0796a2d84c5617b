"""English texts of the catalogues that a delivery in another language still shows."""

import re
from collections import Counter

from messages import messages, translations

# A text of fewer words may be a name in any language.
MIN_WORDS = 2
WORD = re.compile(r"[A-Za-z]{2,}")


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
    translated = "\n".join(text for each in translations(tag).values() for text in each)
    found = []
    for message in messages():
        for text in filter(None, (message.text, message.plural)):
            part = max(re.split(r"\{\w+\}", text), key=len).strip(" .,;:()")
            if len(WORD.findall(part)) < MIN_WORDS or part in translated or part in names:
                continue
            # Looked for as it is first, which takes a hundredth of the time.
            if part in shown and re.search(rf"(?<![\w-]){re.escape(part)}(?![\w-])", shown):
                found.append(part)
    return sorted(set(found))


# Figures, not those within a name such as P90.
FIGURE = re.compile(r"(?<![\w.,])[-−+]?\d[\d.,]*(?<![.,])")


def figures_in(shown, swapped=False):
    """How often each figure is in a text; of one with decimal commas, with commas and points swapped."""
    signs = str.maketrans(".,", ",.") if swapped else {}
    return Counter(figure.translate(signs) for figure in FIGURE.findall(shown))
