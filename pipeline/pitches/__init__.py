"""Reconcile matched sightings into pitches, sessions and outings."""
