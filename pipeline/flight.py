"""The flight of a pitch under constant acceleration: planes, speeds, breaks, angles; vectorised over pitches."""

# Official Baseball Rules 2.01 to 2.04: the plate is 17 in deep, the rubber's front edge 60 ft 6 in from its back tip
FRONT_EDGE_FT = 17 / 12
RUBBER_FT = 60.5
# ft/s^2; the standard gravity 9.80665 m/s^2 (CGPM 1901), rounded as the trade does
G_FPS2 = 32.174
