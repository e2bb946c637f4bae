"""How hard a text is to read: the Flesch–Kincaid grade level."""

import re

_WORD = re.compile(r"[A-Za-z]+(?:['’][A-Za-z]+)*")
_NUMBER = re.compile(r"\d+")
_SENTENCE = re.compile(r"[^.!?]*[A-Za-z0-9][^.!?]*")
_VOWELS = re.compile(r"[aeiouy]+")
# Where groups of vowels mislead; checked in tests against words counted by ear.
_SILENT_E = re.compile(r"[^aeiouyl]e$|[aeiouy]le$|[^aeiouytd]ed$|[^aeiouysxzcgh]es$|(?<![cs])hes$")
_TWO_VOWELS = re.compile(
    r"i[ao](?!u)|eo(?!us)|(?<![qg])ua(?!r)|ui(?=ng)|[aeouy]ing|iu|cre(?=at)|[dr]ea$|ie(?=t|nc)|[^aeiouy]sm$|[nd]'t$"
)
_ONE_VOWEL = re.compile(r"[tcsg]i[ao]|peo|[aeiouy]lely|[^aeiouyl]e(?=ly$|ful|ment|less|where|thing)")


def syllables(word: str) -> int:
    """Syllables of an English word, by its groups of vowels; at least 1. A rule of thumb, right for most words."""
    folded = re.sub(r"[^a-z']", "", word.lower().replace("’", "'"))
    count = len(_VOWELS.findall(folded)) + len(_TWO_VOWELS.findall(folded)) - len(_ONE_VOWEL.findall(folded))
    return max(1, count - bool(_SILENT_E.search(folded)))


def counts(text: str) -> tuple[int, int, int]:
    """Sentences, words and syllables of a text. A number counts as a word of one syllable a digit, at most two."""
    sentences = sum(1 for part in _SENTENCE.findall(text) if part.strip())
    words = _WORD.findall(text)
    numbers = _NUMBER.findall(text)
    spoken = sum(syllables(word) for word in words) + sum(min(2, len(number)) for number in numbers)
    return sentences, len(words) + len(numbers), spoken


def grade(text: str) -> float:
    """Flesch–Kincaid grade level [US school years]; 0 words give 0.

    grade = 0.39 · words/sentences + 11.8 · syllables/words − 15.59. Fitted to technical training texts read by
    adults, passages of some 100 words and more; single sentences scatter widely.
    Kincaid, Fishburne, Rogers & Chissom 1975, Research Branch Report 8-75, Naval Technical Training Command.
    """
    sentences, words, spoken = counts(text)
    if not words:
        return 0.0
    return 0.39 * words / max(1, sentences) + 11.8 * spoken / words - 15.59
