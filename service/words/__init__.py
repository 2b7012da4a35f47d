"""The languages offered to families, and plain words for what is prescribed.

Knows the documents of the trade and nothing else; reads nothing but its own catalogues, once.
"""

from service.words.directions import END_ISOLATE, ISOLATE
from service.words.languages import Language, language_of, offered
from service.words.wording import Wording, mark, mark_plural
from service.words.words import Words, words_of

__all__ = [
    "END_ISOLATE", "ISOLATE", "Language", "Wording", "Words", "language_of", "mark", "mark_plural",
    "offered", "words_of",
]  # fmt: skip
