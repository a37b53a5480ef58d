"""Four weeks of the demo's autumn: what was thrown, by whom, to whom, when, and what came of it. Times are true, in epoch seconds."""

import math
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import NamedTuple
from zoneinfo import ZoneInfo

import numpy as np

from tests.simulator.demo_people import OPPONENTS, WALK_ON, Player, arm_of, opponents, own_players, stream

ZONE = ZoneInfo("America/Chicago")


class Session(NamedTuple):
    """One session as planned. `staff` are the pitchers of Harbor State in their order (numbers of the roster, 17 = the walk-on)."""

    key: str
    start: datetime
    station: str
    occasion: str
    staff: tuple[int, ...]
    opponent: str | None = None
    innings: int = 9


@dataclass
class Throw:
    """One throw. `kind` is pitch, warm_up (full flight, slower) or return (a toss back to the mound)."""

    kind: str
    session: Session
    at: float
    pitcher: Player
    pitch_type: str
    number: int
    target: tuple[float, float]
    batter: Player | None = None
    inning: int | None = None
    half: str | None = None
    outs: int | None = None
    balls: int | None = None
    strikes: int | None = None
    call: str | None = None
    result: str | None = None
    bat: tuple[float, float, float] | None = None


def _local_time(day: str, clock: str) -> datetime:
    return datetime.fromisoformat(f"{day}T{clock}").replace(tzinfo=ZONE)


FIELD_SESSIONS = (
    Session("g1", _local_time("2026-10-16", "18:32"), "field", "game", (1, 9, 10, 13), OPPONENTS[0]),
    Session("s1", _local_time("2026-10-20", "15:34"), "field", "scrimmage", (2, 5, 7, 8, 11, 12, 15, 16), None, 8),
    Session("lb", _local_time("2026-10-22", "15:10"), "field", "live_bp", (14,), None, 1),
    Session("g2", _local_time("2026-10-24", "14:03"), "field", "game", (3, 4, 6, 14), OPPONENTS[1]),
    Session("s2", _local_time("2026-10-27", "15:33"), "field", "scrimmage", (1, 9, 10, 13, 12, 16, 5, 7)),
    # begun late after rain: it runs past midnight, and two hours later the clocks go back
    Session("g3", _local_time("2026-10-31", "21:26"), "field", "game", (2, 8, 11, 15), OPPONENTS[2]),
    Session("g4", _local_time("2026-11-01", "15:05"), "field", "game", (4, 6, 3, 14), OPPONENTS[2]),
    Session("s3", _local_time("2026-11-04", "15:31"), "field", "scrimmage", (1, 10, 17, 9, 13, 12, 7, 16)),
    Session("g5", _local_time("2026-11-07", "14:02"), "field", "game", (2, 5, 8, 11), OPPONENTS[3]),
)

# (day, first start, pitchers in the north pen, pitchers in the south pen): one after another in each pen, both pens at the same time
_PEN_DAYS = (
    ("2026-10-12", "15:05", (1, 6), (3,)),
    ("2026-10-13", "15:12", (2, 8), (5, 11)),
    ("2026-10-14", "15:02", (4, 12), ()),
    ("2026-10-15", "14:48", (15,), (16,)),
    ("2026-10-19", "15:20", (1, 14), (9,)),
    ("2026-10-21", "15:07", (3, 10), (6,)),
    ("2026-10-22", "15:40", (13,), ()),
    ("2026-10-23", "14:30", (2,), (8, 5)),
    ("2026-10-26", "15:15", (4, 11), (15,)),
    ("2026-10-28", "15:04", (6, 3), (14,)),
    ("2026-10-29", "15:22", (8,), (2,)),
    ("2026-10-30", "14:41", (16,), (12,)),
    ("2026-11-02", "15:11", (5, 7), (1,)),
    ("2026-11-03", "15:18", (10, 9), (13,)),
    ("2026-11-05", "15:06", (17, 3), (4,)),
    ("2026-11-06", "14:37", (6,), (14,)),
)


def staff_member(number: int) -> Player:
    return WALK_ON if number == 17 else own_players()[number - 1]


def all_throws() -> list[Throw]:
    """Every throw of the four weeks in the order of time."""
    throws = [
        t for session in FIELD_SESSIONS for t in (_live_practice if session.occasion == "live_bp" else _game)(session)
    ]
    throws += [t for session in pen_sessions() for t in _bullpen(session)]
    return sorted(throws, key=lambda t: t.at)


def pen_sessions() -> list[Session]:
    rng = stream("pen days")
    sessions = []
    for day, clock, north, south in _PEN_DAYS:
        for pen, staff in (("pen_north", north), ("pen_south", south)):
            start = _local_time(day, clock) + timedelta(seconds=float(rng.uniform(0, 300)))
            for number in staff:
                sessions.append(Session(f"b{day[5:7]}{day[8:]}{pen[4]}{number:02d}", start, pen, "bullpen", (number,)))
                start += timedelta(minutes=float(rng.uniform(17, 21)))
    return sessions


def baseball_day(at: float) -> date:
    """The local date with its turn at 04:00, by the wall clock."""
    local = datetime.fromtimestamp(at, ZONE)
    return local.date() - timedelta(days=1) if local.hour < 4 else local.date()


def _bullpen(session: Session) -> list[Throw]:
    rng = stream(session.key)
    pitcher = staff_member(session.staff[0])
    at = session.start.timestamp()
    throws = [_toss(rng, session, at - 22 * (3 - i), pitcher, "warm_up") for i in range(int(rng.integers(0, 4)))]
    for number in range(1, int(rng.integers(20, 46)) + 1):
        x, z = rng.normal([0, 2.35], [0.75, 0.8])
        throws.append(
            Throw("pitch", session, at, pitcher, _choose(rng, pitcher), number, (x, max(z, 0.1)), call="no_call")
        )
        at += _gap(rng, 15, 30)
        if rng.random() < 0.02:
            throws.append(_toss(rng, session, at - 7, pitcher, "return"))
        if number % 12 == 0:
            at += float(rng.uniform(20, 60))
    return throws


def _live_practice(session: Session) -> list[Throw]:
    """Batters in turn against one pitcher, every one starting from no count; nobody is out."""
    rng = stream(session.key)
    pitcher = staff_member(session.staff[0])
    hitters = own_players()[16:22]
    at, number, throws = session.start.timestamp(), 0, []
    for batter in hitters:
        at, number, plate_throws, _ = _at_bat(rng, _Spot(session, pitcher, batter), at, number)
        throws += plate_throws
    return throws


def _game(session: Session) -> list[Throw]:
    """Both sides pitch and bat; in autumn every inning is played to its end."""
    rng = stream(session.key)
    sides = _sides(session)
    at, throws, numbers, turns = session.start.timestamp(), [], {}, [0, 0]
    for inning in range(1, session.innings + 1):
        for side, half in enumerate(("top", "bottom")):
            pitchers, batters = sides[side]
            pitcher = pitchers[_who_pitches(inning, len(pitchers), 4 if session.opponent else 3)]
            fresh = pitcher.player_id not in numbers
            at += float(rng.uniform(150, 210) if fresh else rng.uniform(110, 140))
            throws += [_toss(rng, session, at - 30 - 15 * i, pitcher, "warm_up") for i in range(3 if fresh else 1)]
            outs = 0
            while outs < 3:
                batter = batters[turns[side] % len(batters)]
                turns[side] += 1
                number = numbers.get(pitcher.player_id, 0)
                at, number, plate_throws, out = _at_bat(
                    rng, _Spot(session, pitcher, batter, inning, half, outs), at, number
                )
                numbers[pitcher.player_id] = number
                throws += plate_throws
                outs += out
    return throws


def _sides(session: Session) -> tuple[tuple[list[Player], list[Player]], ...]:
    """(pitchers, batters) of the top and of the bottom half."""
    own = own_players()
    staff = [staff_member(n) for n in session.staff]
    if session.opponent is None:
        return (staff[:4], own[16:25]), (staff[4:], own[23:32])
    others = opponents(session.opponent)
    # on the second day against one side its other pitchers throw
    theirs = others[4::-1][:4] if session.key == "g4" else others[:4]
    return (staff, others[5:]), (theirs, own[16:25])


def _who_pitches(inning: int, staff: int, starter: int) -> int:
    """The starter goes `starter` innings, the others two each, the last one to the end."""
    return 0 if inning <= starter else min(1 + (inning - starter - 1) // 2, staff - 1)


class _Spot(NamedTuple):
    """Who stands against whom, in which inning; all of the inning null in practice."""

    session: Session
    pitcher: Player
    batter: Player
    inning: int | None = None
    half: str | None = None
    outs: int | None = None


def _at_bat(rng: np.random.Generator, spot: _Spot, at: float, number: int) -> tuple[float, int, list[Throw], int]:
    """One turn at bat: (time after it, the pitcher's count of pitches, throws, outs made)."""
    session, pitcher, batter, inning, half, outs = spot
    balls = strikes = 0
    throws: list[Throw] = []
    while True:
        number += 1
        x, z = rng.normal([0, 2.4], [0.78, 0.82])
        z = max(z, 0.1)
        call = _call(rng, x, z, batter.bats)
        throw = Throw(
            "pitch",
            session,
            at,
            pitcher,
            _choose(rng, pitcher),
            number,
            (x, z),
            batter,
            inning,
            half,
            outs,
            balls,
            strikes,
            call,
        )
        throws.append(throw)
        throw.result, out = _result(rng, throw)
        if call == "ball":
            balls += 1
        elif call in ("called_strike", "swinging_strike") or (call == "foul" and strikes < 2):
            strikes += 1
        if throw.result is not None:
            return at + float(rng.uniform(32, 48)), number, throws, out if inning is not None else 0
        at += _gap(rng, 15, 30)
        if rng.random() < 0.015:
            throws.append(_toss(rng, session, at - 7, pitcher, "return"))


def _call(rng: np.random.Generator, x: float, z: float, bats: str) -> str:
    toward_batter = -x if bats == "right" else x
    if toward_batter > 1.7 and 0.8 < z < 5 and rng.random() < 0.6:
        return "hit_by_pitch"
    miss = max(abs(x) - 0.83, z - 3.4, 1.55 - z, 0.0)
    in_zone = miss == 0
    if rng.random() < (0.66 if in_zone else 0.42 * math.exp(-miss / 0.35)):
        return str(
            rng.choice(["swinging_strike", "foul", "in_play"], p=[0.17, 0.41, 0.42] if in_zone else [0.38, 0.38, 0.24])
        )
    edge = miss + rng.normal(0, 0.07) if miss < 0.3 else miss
    return "called_strike" if edge <= 0.04 else "ball"


def _result(rng: np.random.Generator, throw: Throw) -> tuple[str | None, int]:
    """What ends the turn at bat, if this pitch does, and the outs it makes; fills in the batted ball."""
    if throw.call == "hit_by_pitch":
        return "hit_by_pitch", 0
    if throw.call == "ball" and throw.balls == 3:
        return "walk", 0
    if throw.call in ("called_strike", "swinging_strike") and throw.strikes == 2:
        return "strikeout", 1
    if throw.call != "in_play":
        return None, 0
    speed, angle = float(np.clip(rng.normal(86, 12), 35, 112)), float(np.clip(rng.normal(12, 23), -60, 75))
    throw.bat = (speed, angle, float(np.clip(rng.normal(0, 22), -44, 44)))
    result = _landed(rng, speed, angle)
    return result, int(result in ("out", "fielders_choice", "sacrifice"))


def _landed(rng: np.random.Generator, speed: float, angle: float) -> str:
    distance = carry_ft(speed, angle)
    if distance > 385 and 18 < angle < 45:
        return "home_run"
    if rng.random() < 0.02:
        return "error"
    hit = 0.72 if 8 < angle < 25 else 0.28 if angle <= 8 else 0.15
    if rng.random() < hit * (0.7 + (speed - 86) / 60):
        return (
            str(rng.choice(["double", "triple"], p=[0.92, 0.08]))
            if distance > 260 and rng.random() < 0.75
            else "single"
        )
    return str(rng.choice(["out", "fielders_choice", "sacrifice"], p=[0.94, 0.04, 0.02]))


def carry_ft(speed_mph: float, angle_deg: float) -> float:
    """Where a batted ball lands: the vacuum range shortened for the air (0.62 at 100 mph; a smooth rule of thumb, no source)."""
    v = speed_mph * 5280 / 3600
    vz, vy = v * math.sin(math.radians(angle_deg)), v * math.cos(math.radians(angle_deg))
    time = (vz + math.sqrt(vz**2 + 2 * 32.174 * 3)) / 32.174
    return vy * time * (1 - 0.38 * (speed_mph / 100) ** 1.3 * min(1.0, max(time, 0.1) / 3))


def _toss(rng: np.random.Generator, session: Session, at: float, pitcher: Player, kind: str) -> Throw:
    x, z = rng.normal([0, 2.5], [0.7, 0.7])
    return Throw(
        kind, session, at + float(rng.uniform(-1, 1)), pitcher, arm_of(pitcher).plans[0].pitch_type, 0, (x, max(z, 0.3))
    )


def _choose(rng: np.random.Generator, pitcher: Player) -> str:
    plans = arm_of(pitcher).plans
    return str(rng.choice([p.pitch_type for p in plans], p=[p.share for p in plans]))


def _gap(rng: np.random.Generator, low: float, high: float) -> float:
    return float(low + (high - low) * rng.beta(2, 3))
