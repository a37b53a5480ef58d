"""Bias, limits of agreement and own error of each tracker."""
