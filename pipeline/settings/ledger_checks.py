"""Problems of ledger.toml that one table alone cannot show: names that do not exist, names used twice, secrets.

The checks read the file as written (`raw`), so that a wrong key elsewhere hides none of them.
"""

from collections.abc import Iterable, Iterator, Mapping
from datetime import date
from pathlib import Path
from typing import Any, NamedTuple

from pipeline.settings.ledger_tables import VARIABLE_NAME
from pipeline.settings.problems import Problem, nearest_of
from pipeline.settings.profile import Profile
from schemas.metrics import METRICS
from schemas.setup import MOVED_METRICS, QUANTITIES

LEDGER = "ledger.toml"
# table, and its key that names an environment variable
_SECRETS = {"notify": "urls_from", "share": "key_from"}


# ---- the file as written ---------------------------------------------------------------------------------------------------------------


class RawTracker(NamedTuple):
    """A [[tracker]] table as far as its values have the right types; `key` is its place in the file."""

    key: str
    id: str
    profile: str
    inbox: str
    venue: str
    stations: tuple[str, ...]
    rank: object


def raw_trackers(raw: Mapping[str, Any]) -> list[RawTracker]:
    """Return the [[tracker]] tables."""
    return [
        RawTracker(
            f"tracker.{place}",
            as_text(table.get("id")),
            as_text(table.get("profile")),
            as_text(table.get("inbox")) or f"inbox/{as_text(table.get('id'))}",
            as_text(table.get("venue")),
            _texts(table.get("stations")),
            table.get("rank"),
        )
        for place, table in _tables(raw.get("tracker"))
    ]


def tracker_names(trackers: Iterable[RawTracker]) -> tuple[str, ...]:
    """Return the ids of the trackers, each once."""
    return tuple(dict.fromkeys(tracker.id for tracker in trackers if tracker.id))


def raw_stations(raw: Mapping[str, Any]) -> tuple[str, ...]:
    """Return the ids of the stations of all venues."""
    return tuple(station for _, venue in _tables(raw.get("venue")) for station in _station_ids(venue))


def as_table(value: object) -> dict[str, Any]:
    """Return the value if it is a table, else an empty one."""
    return value if isinstance(value, dict) else {}


def as_text(value: object) -> str:
    """Return the value if it is text, else ""."""
    return value if isinstance(value, str) else ""


def profile_names(folder: Path) -> tuple[str, ...]:
    """Return the names of the profiles in the workspace."""
    return tuple(sorted(path.stem for path in (folder / "profiles").glob("*.toml")))


def _texts(value: object) -> tuple[str, ...]:
    return tuple(text for text in value if isinstance(text, str)) if isinstance(value, list) else ()


def _tables(value: object) -> list[tuple[int, dict[str, Any]]]:
    """Return the tables of an array, each with its place from 1."""
    tables = enumerate(value, 1) if isinstance(value, list) else ()
    return [(place, table) for place, table in tables if isinstance(table, dict)]


def _station_ids(venue: Mapping[str, Any]) -> tuple[str, ...]:
    return tuple(as_text(station.get("id")) for _, station in _tables(venue.get("station")))


# ---- checks ----------------------------------------------------------------------------------------------------------------------------


def contradictions(raw: Mapping[str, Any], folder: Path) -> Iterator[Problem]:
    """Yield the problems between the tables of ledger.toml."""
    trackers = raw_trackers(raw)
    venues = [(place, as_text(venue.get("id")), venue) for place, venue in _tables(raw.get("venue"))]
    stations = {name: _station_ids(venue) for _, name, venue in venues}
    yield from _used_twice(
        ((f"venue.{place}.id", name, f"[[venue]] {place}") for place, name, _ in venues),
        "Give each venue its own id.",
    )
    # some tables name a mound by its id alone, so it is unique over all venues
    yield from _used_twice(
        (
            (f"venue.{place}.station.{number}.id", as_text(station.get("id")), f"venue {name}")
            for place, name, venue in venues
            for number, station in _tables(venue.get("station"))
        ),
        "Give each station its own id, also across venues.",
    )
    yield from _used_twice(
        ((f"{one.key}.id", one.id, _words(one)) for one in trackers), "Give each tracker its own id."
    )
    yield from _used_twice(
        ((f"{one.key}.rank", one.rank, one.id or _words(one)) for one in trackers), "Give each tracker its own rank."
    )
    for tracker in trackers:
        yield from _tracker_problems(tracker, stations, profile_names(folder))
    yield from _shared_inboxes(trackers, folder, as_text(as_table(raw.get("output")).get("folder")) or "warehouse")
    yield from _policy_problems(as_table(raw.get("policy")), tracker_names(trackers))
    yield from _metric_problems(raw)
    for place, correction in _tables(raw.get("correction")):
        yield from _correction_problems(f"correction.{place}", correction, tracker_names(trackers))
    yield from _overlapping_corrections(list(_tables(raw.get("correction"))))


def secret_problems(raw: Mapping[str, Any]) -> Iterator[Problem]:
    """Yield a problem for each secret, or possible secret, in ledger.toml. The value is never shown."""
    for table, key in _SECRETS.items():
        name = as_table(raw.get(table)).get(key)
        variable = f"PITCHLEDGER_{table}_{key.removesuffix('_from')}".upper()
        fix = f'Put it into an environment variable, and write the name of that variable here: {key} = "{variable}".'
        if any("://" in text for text in _strings(raw.get(table))):
            message = "the table contains an address, which may contain a password"
            yield Problem(LEDGER, table, None, message, fix=fix, is_table=True)
        elif name is not None and not VARIABLE_NAME.fullmatch(as_text(name)):
            message = "must be the name of an environment variable (capitals, digits and _), never the secret itself"
            yield Problem(LEDGER, f"{table}.{key}", None, message, fix=fix)


def station_word_problems(profiles: Mapping[str, Profile], stations: tuple[str, ...]) -> Iterator[Problem]:
    """Yield the words of profiles that name a station which no venue has."""
    for name, profile in profiles.items():
        table = profile.labels.station
        if table and stations:
            words = {"value": table.value} if table.value else {f"words.{word}": to for word, to in table.words.items()}
            for key, station in words.items():
                yield from _unknown_names(
                    f"labels.station.{key}",
                    [station],
                    stations,
                    f"is not a station of {LEDGER}",
                    f"profiles/{name}.toml",
                )


def _strings(value: object) -> Iterator[str]:
    """Yield all texts in a value, keys too, at any depth."""
    if isinstance(value, str):
        yield value
    elif isinstance(value, dict):
        yield from (text for pair in value.items() for part in pair for text in _strings(part))
    elif isinstance(value, list):
        yield from (text for part in value for text in _strings(part))


def _words(tracker: RawTracker) -> str:
    return f"[[tracker]] {tracker.key.rpartition('.')[2]}"


def _tracker_problems(
    tracker: RawTracker, stations: Mapping[str, tuple[str, ...]], profiles: tuple[str, ...]
) -> Iterator[Problem]:
    missing_file = f"has no file profiles/{tracker.profile or '…'}.toml"
    yield from _unknown_names(f"{tracker.key}.profile", [tracker.profile], profiles, missing_file)
    yield from _unknown_names(f"{tracker.key}.venue", [tracker.venue], tuple(stations), "is not a venue")
    key = f"{tracker.key}.stations"
    if tracker.venue in stations:
        at_venue = stations[tracker.venue]
        yield from _unknown_names(key, tracker.stations, at_venue, f"is not a station of {tracker.venue}")
    yield from _listed_twice(key, tracker.stations)


def _policy_problems(policies: Mapping[str, Any], trackers: tuple[str, ...]) -> Iterator[Problem]:
    for name, policy in policies.items():
        key = f"policy.{name}"
        if name == "default" and not isinstance(policy, str):
            yield Problem(LEDGER, key, None, "must be a word", ("prefer", "blend"))
        elif name not in (*METRICS, "default"):
            yield Problem(LEDGER, key, None, "is not a metric", tuple(METRICS), nearest_of(name, tuple(METRICS)))
        elif name in METRICS and not isinstance(policy, dict):
            fix = f"Write a table [policy.{name}] with method and order."
            yield Problem(LEDGER, key, policy, "must be a table", fix=fix)
        order = _texts(as_table(policy).get("order"))
        yield from _unknown_names(f"{key}.order", order, trackers, "is not a tracker")
        yield from _listed_twice(f"{key}.order", order)


def _metric_problems(raw: Mapping[str, Any]) -> Iterator[Problem]:
    for table in ("tolerance", "limits"):
        for name in as_table(raw.get(table)):
            if name not in METRICS:
                nearest = nearest_of(name, tuple(METRICS))
                yield Problem(LEDGER, f"{table}.{name}", None, "is not a metric", tuple(METRICS), nearest)
    for metric, ends in as_table(raw.get("limits")).items():
        numbers = isinstance(ends, list) and len(ends) == 2 and all(isinstance(end, int | float) for end in ends)
        if numbers and not ends[0] < ends[1]:
            yield Problem(LEDGER, f"limits.{metric}", ends, "must be [lowest, highest]")


def _correction_problems(key: str, correction: Mapping[str, Any], trackers: tuple[str, ...]) -> Iterator[Problem]:
    yield from _unknown_names(f"{key}.tracker", [as_text(correction.get("tracker"))], trackers, "is not a tracker")
    if ("metric" in correction) == ("frame" in correction):
        yield Problem(LEDGER, key, None, "either metric or frame is needed, not both", is_table=True)
    metric, frame = as_text(correction.get("metric")), as_text(correction.get("frame"))
    yield from _unknown_names(f"{key}.metric", [metric], tuple(METRICS), "is not a metric")
    yield from _unknown_names(f"{key}.frame", [frame], QUANTITIES, "is not a quantity of table setup")
    first, last = correction.get("from"), correction.get("until")
    if type(first) is type(last) is date and last < first:
        yield Problem(LEDGER, f"{key}.until", last, f"is before from = {first}")


def _overlapping_corrections(corrections: list[tuple[int, Mapping[str, Any]]]) -> Iterator[Problem]:
    """Two corrections must not change one reading on one day for one cause: the second would correct too much."""
    for index, (place, correction) in enumerate(corrections):
        for other_place, other in corrections[:index]:
            metric = _doubly_corrected(correction, other)
            if metric and correction.get("tracker") == other.get("tracker") and _share_days(correction, other):
                message = f"changes {metric} on days on which [[correction]] {other_place} does"
                fix = "Keep one of the two, or give them different days with from and until."
                yield Problem(LEDGER, f"correction.{place}", None, message, is_table=True, fix=fix)


def _doubly_corrected(one: Mapping[str, Any], other: Mapping[str, Any]) -> str:
    """Return what both corrections change: a metric or a quantity of the frame. Different quantities of one frame go together."""
    metrics = [as_text(correction.get("metric")) for correction in (one, other)]
    frames = [as_text(correction.get("frame")) for correction in (one, other)]
    if metrics[0] == metrics[1] and frames[0] == frames[1]:
        return metrics[0] or frames[0]
    for metric, frame in zip(metrics, reversed(frames), strict=True):
        if metric in MOVED_METRICS.get(frame, ()):
            return metric
    return ""


def _share_days(one: Mapping[str, Any], other: Mapping[str, Any]) -> bool:
    """Return whether two corrections apply on a common day; without a day it has no end. What is not a date is reported elsewhere."""
    (first, last), (other_first, other_last) = map(_days_of_correction, (one, other))
    return first <= other_last and other_first <= last


def _days_of_correction(correction: Mapping[str, Any]) -> tuple[date, date]:
    first, last = correction.get("from"), correction.get("until")
    return first if type(first) is date else date.min, last if type(last) is date else date.max


def _shared_inboxes(trackers: list[RawTracker], folder: Path, output: str) -> Iterator[Problem]:
    """Two trackers must not read the same files: each pitch would count as seen by both."""
    inboxes = [(tracker, (folder / tracker.inbox).resolve()) for tracker in trackers]
    warehouse = (folder / output).resolve()
    for place, (tracker, inbox) in enumerate(inboxes):
        key = f"{tracker.key}.inbox"
        if _overlap(inbox, warehouse):
            fix = "Choose a folder outside it."
            yield Problem(LEDGER, key, tracker.inbox, f"overlaps the output folder {output}", fix=fix)
        for other, its_inbox in inboxes[:place]:
            if _overlap(inbox, its_inbox):
                message = f"overlaps {other.inbox}, the inbox of tracker {other.id}"
                yield Problem(LEDGER, key, tracker.inbox, message, fix="Give each tracker its own folder.")


def _overlap(one: Path, other: Path) -> bool:
    """Return whether the folders are the same or one contains the other."""
    return one.is_relative_to(other) or other.is_relative_to(one)


def _used_twice(entries: Iterable[tuple[str, object, str]], fix: str) -> Iterator[Problem]:
    """Yield a problem for each (key, value, owner) whose value an earlier owner has."""
    owners: dict[str | int, str] = {}
    for key, value, owner in entries:
        # the models report other types; true would count as 1
        if not value or isinstance(value, bool) or not isinstance(value, str | int):
            continue
        if value in owners:
            yield Problem(LEDGER, key, value, f"is already used by {owners[value]}", fix=fix)
        owners.setdefault(value, owner)


def _listed_twice(key: str, names: tuple[str, ...]) -> Iterator[Problem]:
    for name in dict.fromkeys(names):
        if name and names.count(name) > 1:
            yield Problem(LEDGER, key, None, f'lists "{name}" {names.count(name)} times', fix="List it once.")


def _unknown_names(
    key: str, values: Iterable[str], known: tuple[str, ...], message: str, file: str = LEDGER
) -> Iterator[Problem]:
    """Yield a problem for each of `values` that is not `known`; the models report an empty one."""
    for value in values:
        if value and value not in known:
            yield Problem(file, key, value, message, tuple(dict.fromkeys(known)), nearest_of(value, known))
