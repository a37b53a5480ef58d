"""Names as people and devices write them, brought to one form for comparing.

Forms are compared after compatibility decomposition (Unicode Standard Annex 15, NFKD) with marks, case, punctuation and spacing taken out.
That is no transliteration: a name in another script (Ж, 田) is not the same as its Latin spelling, and a German ü is u, not ue; such
a player needs the second spelling in `other_names` of the roster.
"""

import re
import unicodedata
from collections.abc import Iterator, Sequence
from functools import lru_cache
from typing import NamedTuple

# letters that NFKD leaves whole although people write them without their stroke or ligature (casefold has made ß into ss already)
_PLAIN = str.maketrans(
    {"ø": "o", "ł": "l", "đ": "d", "ð": "d", "þ": "th", "æ": "ae", "œ": "oe", "ı": "i", "ħ": "h", "ŧ": "t"}
)
_APOSTROPHES = re.compile(r"['’‘ʼ`´′]")
_NO_LETTER = re.compile(r"[\W_]+")
_SUFFIXES = {"jr": "jr", "junior": "jr", "sr": "sr", "senior": "sr", "ii": "ii", "iii": "iii", "iv": "iv"}
# a name as typed is cut here before it is compared: no person's is longer, a hostile cell can be
_LONGEST = 200
# the labels of a long history are some hundred spellings over and over again: so many are remembered
_SPELLINGS = 20_000


class Name(NamedTuple):
    """A name in its parts, plain and in the order of speech. `suffix` is "" where there is none."""

    words: tuple[str, ...]
    suffix: str

    @property
    def spoken(self) -> str:
        """The words with spaces, without suffix: "jose ramos"."""
        return " ".join(self.words)

    @property
    def initials(self) -> frozenset[str]:
        """The short forms that lead back to this name, first initial and last word or words: "j ramos"."""
        return _initials(self.words)


@lru_cache(_SPELLINGS)
def _initials(words: tuple[str, ...]) -> frozenset[str]:
    if len(words) < 2 or len(words[0]) < 2:
        return frozenset()
    return frozenset(f"{words[0][0]} {' '.join(words[k:])}" for k in range(1, len(words)))


@lru_cache(_SPELLINGS)
def parse_name(text: str) -> Name:
    """Take a name apart: "Last, First", suffixes (Jr., III), accents, case, punctuation and shirt numbers make no difference."""
    parts = [part for piece in text[:_LONGEST].split(",") if (part := _plain_words(piece))]
    suffix = ""
    kept = []
    for part in parts:
        while part and part[-1] in _SUFFIXES and (len(part) > 1 or len(parts) > 1):
            suffix = _SUFFIXES[part.pop()]
        if part:
            kept.append(part)
    # "Last, First": the part before the comma is spoken last
    ordered = kept[1:] + kept[:1]
    return Name(tuple(word for part in ordered for word in part), suffix)


@lru_cache(_SPELLINGS)
def natural_order(text: str) -> str:
    """The name as it is spoken, letters as typed: "Ramos, José" -> "José Ramos"; a suffix stays last."""
    parts = [part.strip() for part in " ".join(text.split()).split(",") if part.strip()]
    is_swapped = len(parts) == 2 and _plain_words(parts[1])[:1] not in [[suffix] for suffix in _SUFFIXES]
    return " ".join(parts[::-1] if is_swapped else parts)


def same_name_keys(name: Name) -> frozenset[str]:
    """What two spellings of one name share: the letters in spoken order (Jean-Luc, Jean Luc, Jeanluc), and the words in any order."""
    if not name.words:
        return frozenset()
    return frozenset({"".join(name.words), " ".join(sorted(name.words))})


def person_key(label: str) -> str | None:
    """The same for two labels that name a person with the same words in spoken order; None where there is no letter in it."""
    name = parse_name(label)
    return " ".join(filter(None, ("".join(name.words), name.suffix))) or None


@lru_cache(_SPELLINGS)
def short_form(name: Name) -> str | None:
    """The name as first initial and the rest if it is written so, on whichever side ("J. Ramos", "Ramos J"); else None."""
    words = list(name.words)
    if len(words) < 2:
        return None
    if len(words[0]) == 1:
        return " ".join(words)
    return " ".join([words[-1], *words[:-1]]) if len(words[-1]) == 1 else None


class Likeness(NamedTuple):
    """One known spelling that a label is like: its place among the known ones, and the likeness, 0 to 100."""

    place: int
    score: float


def alike(name: Name, known: Sequence[Name], at_least: float) -> list[Likeness]:
    """The known names that `name` may be a misspelling of, best first.

    Like is compared with like: a full name with full names, a short form with short forms of the same initial, a single word with last
    names. The measure is the normalised edit similarity (insertions and deletions) of rapidfuzz.
    """
    from rapidfuzz import fuzz, process

    best: dict[int, float] = {}
    for typed, forms in _comparable(name, known):
        places = [place for place, _ in forms]
        for _, score, at in process.extract(
            typed, [form for _, form in forms], scorer=fuzz.ratio, score_cutoff=at_least, limit=None
        ):
            best[places[at]] = max(score, best.get(places[at], 0.0))
    return sorted((Likeness(place, score) for place, score in best.items()), key=lambda like: (-like.score, like.place))


def _comparable(name: Name, known: Sequence[Name]) -> Iterator[tuple[str, list[tuple[int, str]]]]:
    """The forms of `name` to compare, each with the known names' forms of the same kind and their places."""
    if len(name.words) == 1:
        yield name.words[0], [(at, other.words[-1]) for at, other in enumerate(known) if other.words]
        return
    yield " ".join(sorted(name.words)), [(at, " ".join(sorted(other.words))) for at, other in enumerate(known)]
    if form := short_form(name):
        shorts = [(at, short) for at, other in enumerate(known) for short in sorted(other.initials)]
        yield form[2:], [(at, short[2:]) for at, short in shorts if short[0] == form[0]]


def _plain_words(text: str) -> list[str]:
    folded = unicodedata.normalize("NFKD", unicodedata.normalize("NFKC", text).casefold().translate(_PLAIN))
    letters = "".join(c for c in folded if not unicodedata.combining(c))
    return [word for word in _NO_LETTER.split(_APOSTROPHES.sub("", letters)) if word and not word.isdigit()]
