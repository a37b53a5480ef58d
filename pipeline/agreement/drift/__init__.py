"""Since when a tracker reads differently.

Control charts of pairs, and of trackers against their own pitchers' history.
"""
