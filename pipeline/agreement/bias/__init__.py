"""How far apart two trackers are.

Bias, limits of agreement, regression, own error and selection by the matching.
"""
