"""Everybody in the demo: all invented. Own players by hand, opponents from made-up syllables; and what each pitcher throws."""

import unicodedata
import zlib
from typing import NamedTuple

import numpy as np

SEED = 20261012
PROGRAM = "Harbor State"
OPPONENTS = ("Quillmere", "Orvane Tech", "Marrowfen", "Brindlewick")


class Player(NamedTuple):
    """`number` is the radar's own, `tag` the ball's; both null for those whom no device keeps."""

    player_id: str
    first: str
    last: str
    hand: str
    bats: str
    team: str
    pitches: bool
    number: str
    tag: str | None


class PitchPlan(NamedTuple):
    """What one pitcher means by one pitch type."""

    pitch_type: str
    share: float
    speed_mph: float
    spin_rpm: float
    efficiency: float
    axis_deg: float
    seam_turn_deg: float
    drag: float


class Arm(NamedTuple):
    """A pitcher's delivery; `side` is arm-side distance of release (x has the sign of the hand), `plans` his pitch types."""

    height_ft: float
    side_ft: float
    extension_ft: float
    plans: tuple[PitchPlan, ...]


def stream(name: str) -> np.random.Generator:
    """A random stream of its own for each purpose, so that a change in one part of the world leaves the others alone."""
    return np.random.default_rng([SEED, zlib.crc32(name.encode())])


_OWN_PITCHERS = (
    ("Tobin", "Aldervane", "right"),
    ("Marek", "Quistland", "left"),
    ("Joaquín", "Vellospardo", "right"),
    ("Dacre", "Okonfeld", "right"),
    ("Émile", "Tarrowby", "left"),
    ("Silas", "Wendrake", "right"),
    ("Simon", "Wendrake", "left"),
    ("Corwin", "Pellgrave", "right"),
    ("Nils", "Hastrovik", "right"),
    ("Ambrose", "Kitterlow", "left"),
    ("Teo", "Larrumez", "right"),
    ("Jory", "Stackmoor", "right"),
    ("Rafe", "Underbrae", "right"),
    ("Piet", "Brundelaar", "left"),
    ("Otis", "Greywether", "right"),
    ("Malik", "Sunderose", "right"),
)
_OWN_HITTERS = (
    ("Bram", "Castlewode", "right"),
    ("Levi", "Thornquill", "left"),
    ("Hugo", "Mandrasso", "right"),
    ("Deon", "Whitlarch", "right"),
    ("Kai", "Fennerby", "left"),
    ("Anselm", "Rookwarren", "right"),
    ("Tate", "Junivar", "right"),
    ("Zeb", "Collowyn", "left"),
    ("Ivo", "Saltmarrow", "right"),
    ("Gus", "Harkenfeld", "right"),
    ("Noël", "Ebbertide", "left"),
    ("Wes", "Draymoor", "right"),
    ("Finn", "Ostrabrook", "right"),
    ("Arlo", "Pendlewray", "left"),
    ("Cass", "Umberfold", "right"),
    ("Jude", "Wolvergate", "right"),
)
# threw in a scrimmage and in a bullpen, and nobody told the roster
WALK_ON = Player("walk_on", "Rusk", "Ollerby", "right", "right", PROGRAM, True, "", None)

_FIRST = (
    *(
        "Abel",
        "Boone",
        "Cyrus",
        "Dov",
        "Elan",
        "Ferris",
        "Gideon",
        "Hollis",
        "Idris",
        "Jonah",
        "Keir",
        "Lorne",
        "Milo",
        "Nico",
        "Orin",
    ),
    *(
        "Perrin",
        "Quade",
        "Rory",
        "Stellan",
        "Tavi",
        "Ulric",
        "Vance",
        "Wyeth",
        "Yann",
        "Zane",
        "Asa",
        "Bode",
        "Crosby",
        "Darro",
        "Emrys",
    ),
)
_BEGIN = (
    "Brask",
    "Cald",
    "Drun",
    "Elv",
    "Farn",
    "Glim",
    "Holv",
    "Isk",
    "Jarn",
    "Kesk",
    "Lund",
    "Morv",
    "Narl",
    "Ostr",
    "Prend",
    "Quarr",
    "Sorv",
    "Tresk",
)
_END = ("amoor", "brant", "elwick", "enholt", "ewald", "igarth", "imere", "olan", "orack", "ovane", "ulby", "wyrd")


def own_players() -> list[Player]:
    """The roster: 16 pitchers, then 16 hitters."""
    pitchers = [
        Player(f"hs{i:02d}", first, last, hand, hand, PROGRAM, True, str(4100 + i), f"{i:02d}")
        for i, (first, last, hand) in enumerate(_OWN_PITCHERS, 1)
    ]
    hitters = [
        Player(f"hs{i:02d}", first, last, "right", side, PROGRAM, False, str(4100 + i), None)
        for i, (first, last, side) in enumerate(_OWN_HITTERS, 17)
    ]
    return pitchers + hitters


def opponents(team: str) -> list[Player]:
    """Five pitchers and nine hitters of an invented side; Quillmere's first pitcher is named almost like one of ours, on purpose."""
    rng = stream(f"people {team}")
    surnames = rng.permutation([begin + end for begin in _BEGIN for end in _END])[:14]
    firsts = rng.permutation(_FIRST)[:14]
    hands = ["right", "left", "right", "right", "left"] + [
        str(rng.choice(["right", "right", "left"])) for _ in range(9)
    ]
    start = 5000 + 100 * OPPONENTS.index(team)
    people = [
        Player(
            f"{team[:3].lower()}{i:02d}",
            str(firsts[i]),
            str(surnames[i]),
            hands[i],
            hands[i],
            team,
            i < 5,
            str(start + i),
            None,
        )
        for i in range(14)
    ]
    if team == "Quillmere":
        people[0] = people[0]._replace(first="Corbin", last="Pellgrove")
    return people


# type: (mph below the fastball, rpm, efficiency, degrees from pure backspin toward the arm side, turn by seams, usual share); the
# makeup of a college staff, common practice, no source
_USUAL = {
    "four_seam": (0.0, 2230, 0.95, 24, 2, 0.5),
    "two_seam": (1.0, 2130, 0.92, 42, 5, 0.35),
    "sinker": (1.6, 2080, 0.90, 55, 8, 0.4),
    "cutter": (4.0, 2260, 0.55, -8, -4, 0.2),
    "slider": (8.5, 2330, 0.36, -72, -3, 0.25),
    "sweeper": (11.0, 2480, 0.58, -96, -4, 0.2),
    "curveball": (14.0, 2420, 0.76, -142, -2, 0.2),
    "changeup": (8.0, 1720, 0.92, 50, 6, 0.2),
    "splitter": (7.0, 1340, 0.86, 40, 4, 0.2),
}
_MIXES = (
    ("four_seam", "slider", "changeup"),
    ("four_seam", "curveball", "changeup", "slider"),
    ("sinker", "slider", "changeup"),
    ("four_seam", "two_seam", "cutter", "curveball"),
    ("four_seam", "sweeper", "splitter"),
    ("sinker", "four_seam", "sweeper", "changeup"),
    ("four_seam", "cutter", "slider", "splitter"),
)


def arm_of(player: Player) -> Arm:
    """This pitcher's own delivery and pitch types, from a stream of his own."""
    rng = stream(f"arm {player.player_id}")
    turn = 1.0 if player.hand == "right" else -1.0
    fastball = rng.normal(89.5, 1.9)
    slot = rng.normal(0, 7)
    mix = _MIXES[int(rng.integers(len(_MIXES)))]
    plans = tuple(_plan(rng, name, fastball, slot, turn) for name in mix)
    total = sum(plan.share for plan in plans)
    plans = tuple(plan._replace(share=plan.share / total) for plan in plans)
    return Arm(rng.normal(5.75, 0.3), -turn * rng.normal(1.9, 0.4), rng.normal(6.1, 0.35), plans)


def _plan(rng: np.random.Generator, pitch_type: str, fastball: float, slot: float, turn: float) -> PitchPlan:
    slower, spin, efficiency, tilt, seam, share = _USUAL[pitch_type]
    axis = (180 + turn * (tilt + slot + rng.normal(0, 5))) % 360
    speed = fastball - slower + rng.normal(0, 0.7)
    efficiency = float(np.clip(efficiency + rng.normal(0, 0.04), 0.15, 0.99))
    return PitchPlan(
        pitch_type,
        share * rng.uniform(0.8, 1.2),
        speed,
        spin + rng.normal(0, 110),
        efficiency,
        axis,
        turn * seam,
        rng.normal(0.335, 0.012),
    )


def plain(text: str) -> str:
    """The text without its accents, as a keyboard abroad types it."""
    return "".join(c for c in unicodedata.normalize("NFD", text) if not unicodedata.combining(c))


def name_as(player: Player, style: str) -> str:
    """The player's name in one of the devices' ways: `last_first`, `first_last` (no accents), `initial` or `small`."""
    return {
        "last_first": f"{player.last}, {player.first}",
        "first_last": plain(f"{player.first} {player.last}"),
        "initial": f"{player.first[0]}. {player.last}",
        "small": f"{player.first} {player.last}".lower(),
    }[style]
