"""Uncertainty of cooling-fan comparisons at equal noise."""
