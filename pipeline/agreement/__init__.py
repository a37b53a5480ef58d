"""How far trackers agree, from pitches that more than one tracker saw.

Imports go one way, from the top of this list to the bottom:
night_facts.py   facts of single nights, stored between runs; `measure_nights` is the entry point
measuring.py     all tables from the facts of all nights; `agreement_of_nights` is the entry point
labels.py        do two trackers give a pitch the same label: confusion tables and kappa
conventions/     is a metric mirrored, upside down or in another unit (table convention_mismatches)
device_setup/    how a device is turned or shifted (table setup), and corrections: applied and proposed
drift/           since when a tracker reads differently (table drift): control charts of pairs and against own history
bias/            how far apart two trackers are (table agreement), own errors (precision), effect of the matching (selection)
facts/           readings side by side and their moments, robust centers and cells per night
wording.py       sentences and numbers for people
"""

from pipeline.agreement.facts.standards import Standards
from pipeline.agreement.measuring import Agreement, agreement_of_nights
from pipeline.agreement.night_facts import MatchedPitches, NightFacts, measure_nights, replace_nights

__all__ = [
    "Agreement",
    "MatchedPitches",
    "NightFacts",
    "Standards",
    "agreement_of_nights",
    "measure_nights",
    "replace_nights",
]
