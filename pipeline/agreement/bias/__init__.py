"""How far apart two trackers are: bias, limits of agreement, regression, own error and selection by the matching."""
