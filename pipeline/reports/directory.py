"""The names and time zones that people read in place of ids and UTC."""

from collections.abc import Sequence
from typing import NamedTuple

import duckdb

from pipeline.words import enumerate_words


class Directory(NamedTuple):
    """Names of trackers and players by id, and time zones by venue. `home_zone` is the zone of the top-ranked tracker."""

    trackers: dict[str, str]
    players: dict[str, str]
    zones: dict[str, str]
    home_zone: str

    def tracker(self, tracker: str) -> str:
        """Return the name of a tracker; its id if it is no longer in ledger.toml."""
        return self.trackers.get(tracker, tracker)

    def tracker_list(self, trackers: Sequence[str]) -> str:
        """Return the names of trackers as a list in words."""
        return enumerate_words([self.tracker(tracker) for tracker in trackers])

    def player(self, player_id: str) -> str:
        """Return "Silas Wendrake (hs06)", or only the id of a player without a name."""
        name = self.players.get(player_id)
        return f"{name} ({player_id})" if name else player_id

    def player_choice(self, player_ids: Sequence[str]) -> str:
        """Return players as a choice in words: "Silas Wendrake (hs06) or Simon Wendrake (hs07)"."""
        return enumerate_words([self.player(player_id) for player_id in player_ids], "or")

    def zone(self, venue: str | None) -> str:
        """Return the time zone of a venue; the home zone of an unknown one."""
        return self.zones.get(venue or "", self.home_zone)


def read_directory(con: duckdb.DuckDBPyConnection) -> Directory:
    """Read the directory of a published version."""
    trackers = con.execute("select tracker, name, venue, time_zone from trackers order by rank desc").fetchall()
    players = con.execute("select player_id, name from players where name is not null").fetchall()
    return Directory(
        trackers={tracker: name for tracker, name, _, _ in trackers},
        players=dict(players),
        zones={venue: zone for _, _, venue, zone in trackers},
        home_zone=trackers[-1][3] if trackers else "UTC",
    )
