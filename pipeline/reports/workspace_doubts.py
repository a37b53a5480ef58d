"""What may be wrong with a workspace as a whole, for `pitchledger check`: roster, sessions, folders that no tracker reads."""

from collections.abc import Iterator

import polars as pl

from pipeline.exports.inbox import unread_folders
from pipeline.players.identify import distinct_labels, identify_labels
from pipeline.settings.ledger import Ledger, TrackerSettings
from pipeline.words import pluralize

# share of the rows with a pitcher's name below which the roster is not this program's; as in sql/needs/roster_not_used.sql
LEAST_OWN = 0.1


def workspace_doubts(ledger: Ledger, newest: pl.DataFrame, published: pl.DataFrame) -> Iterator[str]:
    """Yield a sentence for each doubt. `newest`: the sightings of all trackers' newest exports; `published`: those of the last run."""
    yield from _roster_doubts(ledger, newest)
    yield from unread_folders(ledger.folder, [tracker.inbox for tracker in ledger.trackers])
    for tracker in ledger.trackers:
        if tracker.id not in newest.filter(_only_numbered()).get_column("tracker"):
            for doubt in session_doubts(published.filter(pl.col("tracker") == tracker.id), tracker):
                yield f"{tracker.id}: {doubt}"


def session_doubts(sightings: pl.DataFrame, tracker: TrackerSettings) -> Iterator[str]:
    """Yield a question where nothing but a number tells rows of a tracker from those of another evening of the day."""
    number = sightings.filter(_only_numbered()).height
    if number and not tracker.profile.keys.session:
        verb = "has" if number == 1 else "have"
        yield (
            f"{number:,} of {pluralize(sightings.height, 'row')} {verb} a number, but neither session nor time. "
            f"If the number ever starts again within a day, add `session` to [keys] of {tracker.profile.file_name}."
        )


def _only_numbered() -> pl.Expr:
    others = (pl.col(name).is_null() for name in ("native_id", "native_session", "thrown_at"))
    return pl.col("sequence").is_not_null() & pl.all_horizontal(others)


def _roster_doubts(ledger: Ledger, newest: pl.DataFrame) -> Iterator[str]:
    """Yield a sentence where the roster is empty, or names hardly any pitcher of these sightings."""
    count_as = "Your own pitchers will count as opponents or as unknown."
    if ledger.roster.is_empty():
        yield f"roster.csv lists no player. {count_as}"
        return
    labels = identify_labels(distinct_labels(newest), ledger.roster, ledger.decisions)
    pitchers = labels.filter(pl.col("role") == "pitcher")
    is_ours = pl.col("player_id").is_in(ledger.roster.get_column("player_id").implode())
    ours, rows = (int(part.get_column("rows").sum()) for part in (pitchers.filter(is_ours), pitchers))
    if ours < LEAST_OWN * rows:
        yield f"{ours:,} of {rows:,} rows of the newest exports are by a pitcher on roster.csv. {count_as}"
