"""Normalize names as people and devices write them, and compare them.

Names are compared after compatibility decomposition (Unicode Standard Annex 15, NFKD), without marks, case, punctuation and spacing.
This does not transliterate: a name in another script (Ж, 田) differs from its Latin spelling, and a German ü becomes u, not ue. Such a
player needs the second spelling in `other_names` of the roster.
"""

import re
import unicodedata
from collections.abc import Iterator, Sequence
from functools import lru_cache
from typing import NamedTuple

# letters that NFKD does not decompose although people write them without stroke or ligature (casefold has turned ß into ss already)
_PLAIN = str.maketrans(
    {"ø": "o", "ł": "l", "đ": "d", "ð": "d", "þ": "th", "æ": "ae", "œ": "oe", "ı": "i", "ħ": "h", "ŧ": "t"}
)
_APOSTROPHES = re.compile(r"['’‘ʼ`´′]")
_SEPARATORS = re.compile(r"[\W_]+")
_SUFFIXES = {"jr": "jr", "junior": "jr", "sr": "sr", "senior": "sr", "ii": "ii", "iii": "iii", "iv": "iv"}
# Characters of a name that are compared: no real name is longer, but a hostile cell can be.
_MAX_LENGTH = 200
# Cached spellings: a long history repeats a few hundred.
_CACHE_SIZE = 20_000


class Name(NamedTuple):
    """A name in normalized words, in spoken order. `suffix` is "" where there is none; `numbers` are the words of digits.

    Numbers tell people apart ("RHP 12", "RHP 34"). Whether one may be ignored depends on other labels: `without_number`.
    """

    words: tuple[str, ...]
    suffix: str
    numbers: tuple[str, ...] = ()

    @property
    def spoken(self) -> str:
        """Return words, suffix and numbers separated by spaces: "jose ramos jr 12"."""
        return " ".join(filter(None, (*self.words, self.suffix, *self.numbers)))

    @property
    def is_full(self) -> bool:
        """Return whether it has a first and a last name, neither of them an initial."""
        return len(self.words) > 1 and min(len(self.words[0]), len(self.words[-1])) > 1

    @property
    def initials(self) -> frozenset[str]:
        """Return the short forms that can mean this name, first initial and last word or words: "j ramos"."""
        return frozenset(" ".join((form, *self.numbers)) for form in _initials(self.words))


@lru_cache(_CACHE_SIZE)
def _initials(words: tuple[str, ...]) -> frozenset[str]:
    if len(words) < 2 or len(words[0]) < 2:
        return frozenset()
    return frozenset(f"{words[0][0]} {' '.join(words[k:])}" for k in range(1, len(words)))


@lru_cache(_CACHE_SIZE)
def parse_name(text: str) -> Name:
    """Parse a name. "Last, First", suffixes (Jr., III), accents, case, punctuation and the place of a number make no difference."""
    pieces = [_normalized_words(piece) for piece in text[:_MAX_LENGTH].split(",")]
    numbers = tuple(word for piece in pieces for word in piece if word.isdigit())
    parts = [part for piece in pieces if (part := [word for word in piece if not word.isdigit()])]
    suffix = ""
    kept = []
    for part in parts:
        while part and part[-1] in _SUFFIXES and (len(part) > 1 or len(parts) > 1):
            suffix = _SUFFIXES[part.pop()]
        if part:
            kept.append(part)
    # "Last, First": the part before the comma is spoken last.
    ordered = kept[1:] + kept[:1]
    return Name(tuple(word for part in ordered for word in part), suffix, numbers)


def without_number(text: str) -> str:
    """Return the name without words of digits: "#27 José Ramos" -> "José Ramos"."""
    return ", ".join(filter(None, (" ".join(_words_without_digits(piece)) for piece in text.split(","))))


def _words_without_digits(text: str) -> list[str]:
    return [word for word in text.split() if not "".join(_normalized_words(word)).isdigit()]


@lru_cache(_CACHE_SIZE)
def natural_order(text: str) -> str:
    """Return the name in spoken order, letters as typed: "Ramos, José" -> "José Ramos"; a suffix stays last."""
    parts = [part.strip() for part in " ".join(text.split()).split(",") if part.strip()]
    is_swapped = len(parts) == 2 and _normalized_words(parts[1])[:1] not in [[suffix] for suffix in _SUFFIXES]
    return " ".join(parts[::-1] if is_swapped else parts)


def same_name_keys(name: Name) -> frozenset[str]:
    """Return what two spellings of one name share: letters in spoken order (Jean-Luc, Jean Luc, Jeanluc), and words in any order."""
    if not name.words:
        return frozenset()
    together, sorted_words = "".join(name.words), " ".join(sorted(name.words))
    return frozenset(" ".join((form, *name.numbers)) for form in (together, sorted_words))


def person_key(label: str) -> str | None:
    """Return the same key for two labels with the same words in spoken order and the same numbers; None for a label without letters."""
    name = parse_name(label)
    return " ".join(filter(None, ("".join(name.words), name.suffix, *name.numbers))) if name.words else None


@lru_cache(_CACHE_SIZE)
def short_form(name: Name) -> str | None:
    """Return the name as first initial and rest if it is written with an initial on either side ("J. Ramos", "Ramos J"); else None."""
    words = list(name.words)
    if len(words) < 2:
        return None
    if len(words[0]) == 1:
        return " ".join((*words, *name.numbers))
    return " ".join([words[-1], *words[:-1], *name.numbers]) if len(words[-1]) == 1 else None


class Similar(NamedTuple):
    """One known name that a label is similar to: its place among the known ones, and the similarity, 0 to 100."""

    place: int
    score: float


def similar_names(name: Name, known: Sequence[Name], at_least: float) -> list[Similar]:
    """Return the known names that `name` may be a misspelling of, best first.

    A full name is compared with full names, a short form with short forms of the same initial, a single word with last names. The measure
    is rapidfuzz's normalized edit similarity (insertions and deletions).
    """
    from rapidfuzz import fuzz, process

    best: dict[int, float] = {}
    for typed, forms in _comparable(name, known):
        places = [place for place, _ in forms]
        for _, score, position in process.extract(
            typed, [form for _, form in forms], scorer=fuzz.ratio, score_cutoff=at_least, limit=None
        ):
            best[places[position]] = max(score, best.get(places[position], 0.0))
    return sorted((Similar(*found) for found in best.items()), key=lambda found: (-found.score, found.place))


def _comparable(name: Name, known: Sequence[Name]) -> Iterator[tuple[str, list[tuple[int, str]]]]:
    """Yield each form of `name` with the known names' comparable forms and their places."""
    if len(name.words) == 1:
        yield name.words[0], [(place, other.words[-1]) for place, other in enumerate(known) if other.words]
        return
    yield " ".join(sorted(name.words)), [(place, " ".join(sorted(other.words))) for place, other in enumerate(known)]
    if form := short_form(name):
        shorts = [(place, short) for place, other in enumerate(known) for short in sorted(other.initials)]
        yield form[2:], [(place, short[2:]) for place, short in shorts if short[0] == form[0]]


def _normalized_words(text: str) -> list[str]:
    folded = unicodedata.normalize("NFKD", unicodedata.normalize("NFKC", text).casefold().translate(_PLAIN))
    letters = "".join(c for c in folded if not unicodedata.combining(c))
    return [word for word in _SEPARATORS.split(_APOSTROPHES.sub("", letters)) if word]
