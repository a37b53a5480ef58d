"""Guess which columns hold labels (pitch types, results, hands) and keys (pitcher, ids), by headings and by the words in them."""

import re
from collections.abc import Collection, Iterable, Sequence
from typing import NamedTuple

from pipeline.drafting.columns import Column
from pipeline.settings.profile_tables import LABELS

_HEADINGS = {
    "pitch_type": frozenset({"type", "kind", "pitch"}),
    "pitch_result": frozenset({"call", "ruling", "umpire"}),
    "plate_appearance_result": frozenset({"result", "outcome", "play"}),
    "occasion": frozenset({"occasion", "event", "purpose"}),
    "pitcher_hand": frozenset({"throws", "hand", "handed"}),
    "batter_side": frozenset({"bats", "stands", "stance"}),
    "half": frozenset({"half"}),
    "station": frozenset({"station", "mound", "pen"}),
}
_RIGHT, _LEFT = (
    ("r", "rh", "righty", "right_handed", "right_hander"),
    ("l", "lh", "lefty", "left_handed", "left_hander"),
)
# plain English for our words, in addition to the words themselves
_ALSO = {
    "pitch_type": {"4_seam": "four_seam", "fourseam": "four_seam", "four_seam_fastball": "four_seam", "2_seam": "two_seam", "twoseam": "two_seam", "two_seam_fastball": "two_seam", "curve": "curveball", "change": "changeup", "change_up": "changeup", "split": "splitter"},
    "pitch_result": {"strike_called": "called_strike", "strike_swinging": "swinging_strike", "foul_ball": "foul", "called": "called_strike", "swinging": "swinging_strike", "ball_in_play": "in_play", "hit_batter": "hit_by_pitch"},
    "plate_appearance_result": {"hit_batter": "hit_by_pitch", "fielder's_choice": "fielders_choice"},
    "pitcher_hand": {**dict.fromkeys(_RIGHT, "right"), **dict.fromkeys(_LEFT, "left")},
    "batter_side": {**dict.fromkeys(_RIGHT, "right"), **dict.fromkeys(_LEFT, "left"), "s": "switch", "both": "switch"},
    "half": {"t": "top", "b": "bottom", "bot": "bottom"},
    "occasion": {"pen": "bullpen", "bp": "live_bp", "batting_practice": "live_bp", "practice_game": "scrimmage"},
}  # fmt: skip
_NO_PITCH = re.compile(r"warm|return|throw[ -]?back|toss|pick[ -]?off|test", re.IGNORECASE)
_NUMBERED = frozenset({"id", "no", "nr", "number", "tag", "code", "num"})
_IDS = frozenset({"id", "uid", "uuid", "guid", "record", "rec", "key", "identifier"})
_PITCHER, _BATTER = frozenset({"pitcher", "thrower"}), frozenset({"batter", "hitter"})
# a column with at most this many different words may hold labels in another language
_FEW = 20
# the highest number that each count can be
_SITUATION = {"inning": 30, "outs": 3, "balls": 4, "strikes": 3}


class LabelGuess(NamedTuple):
    """A column that may hold the words of one of our fields. `words`: theirs -> ours, None where none is known."""

    field: str
    column: Column
    words: dict[str, str | None]


def guess_labels(columns: Iterable[Column], taken: frozenset[str]) -> list[LabelGuess]:
    """Return for each of our fields the column whose heading or words fit best; `taken`: columns with another meaning."""
    worded = [column for column in columns if column.words and column.name not in taken]
    guesses = []
    for field in LABELS:
        rated = [(rating, column) for column in worded if (rating := _rating(field, column)) > 0]
        if rated:
            _, column = max(rated, key=lambda pair: pair[0])
            guesses.append(LabelGuess(field, column, {word: ours_for(field, word) for word in column.words or ()}))
            worded.remove(column)
    return guesses


def unnamed(columns: Iterable[Column], used: Collection[str]) -> list[Column]:
    """Return columns with few words and no guess: as a rule labels in another language."""
    few = [column for column in columns if column.words and len(column.words) <= _FEW and column.name not in used]
    return [
        column
        for column in few
        if column.texts.str.contains(r"[^\W\d_]").all() and column.rows > len(column.words or ())
    ]


def _rating(field: str, column: Column) -> float:
    """Rate a column: 1 for the heading, plus the share of rows whose word is known."""
    words = column.words or {}
    if max(map(len, words)) > 40:
        return 0
    known = sum(times for word, times in words.items() if ours_for(field, word)) / sum(words.values())
    heading = _HEADINGS[field] & column.tokens
    return bool(heading) + (known if known > 0.5 or heading else 0)


def ours_for(field: str, word: str) -> str | None:
    """Return our word for theirs, where it is the same or plain English for it; None where a person must answer."""
    plain = re.sub(r"[\s\-]+", "_", word.strip().lower())
    return plain if plain in LABELS[field] else _ALSO.get(field, {}).get(plain)


def looks_like_no_pitch(word: str) -> bool:
    """Return whether the word means a warm-up or a throw back."""
    return bool(_NO_PITCH.search(word))


def guess_keys(columns: Sequence[Column], carried: dict[str, str], taken: frozenset[str]) -> dict[str, str]:
    """Return the references for [keys] that headings show."""
    free = [column for column in columns if column.name not in taken and column.texts.len()]
    found: dict[str, str] = {}
    for key, words in (("pitcher", _PITCHER), ("batter", _BATTER)):
        about = [column for column in free if column.tokens & words and len(column.tokens) <= 3]
        numbered = [column for column in about if column.tokens & _NUMBERED]
        names = [column for column in about if column not in numbered and not column.is_number]
        found |= {key: names[0].name} if names else {}
        found |= {f"{key}_id": numbered[0].name} if numbered else {}
    for key, words in (("session", frozenset({"session"})), ("team", frozenset({"team", "club"}))):
        found |= next(({key: column.name} for column in free if column.tokens & words), {})
    for key, words in (("pitcher", _PITCHER), ("session", frozenset({"session"}))):
        found |= next(({key: ref} for ref in carried if set(re.split(r"[._@]", ref)) & words and key not in found), {})
    return found | _numbering(free, frozenset(found.values()))


def _numbering(columns: Sequence[Column], taken: frozenset[str]) -> dict[str, str]:
    """Return the sequence (a column that counts up) and the device's own id (unique letters and digits)."""
    found: dict[str, str] = {}
    for column in columns:
        if column.name in taken or not column.is_unique:
            continue
        if _counts_up(column):
            found.setdefault("sequence", column.name)
        elif _is_id(column):
            found.setdefault("native_id", column.name)
    return found


def _is_id(column: Column) -> bool:
    """Return whether it holds letters and digits, or digits under a heading that names an id."""
    coded = bool(
        column.texts.str.contains(r"^[\w.:-]*\d[\w.:-]*$").all() and column.texts.str.contains(r"[^\W\d_]").all()
    )
    numbered = bool(column.texts.str.contains(r"^\d+$").all() and column.tokens & _IDS)
    return column.unit is None and (coded or numbered)


def _counts_up(column: Column) -> bool:
    """Return whether it holds whole numbers that start at 0 or 1 and always rise, with few gaps."""
    if not column.texts.str.contains(r"^\d{1,6}$").all() or column.values.is_empty():
        return False
    steps = column.values.diff().drop_nulls()
    first, last = float(column.values[0]), float(column.values[-1])
    return bool((steps > 0).all()) and first <= 1 and last - first < 2 * column.values.len()


def guess_situation(columns: Iterable[Column]) -> dict[str, str]:
    """Return the columns of inning, outs, balls and strikes, where heading and numbers fit."""
    found: dict[str, str] = {}
    for key, most in _SITUATION.items():
        for column in columns:
            words = column.tokens
            if words in ({key}, {key, "before"}) and column.is_number and float(str(column.values.max())) <= most:
                found.setdefault(key, column.name)
    return found
