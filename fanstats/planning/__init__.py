"""What to buy next: sample sizes, allocation of a budget, tolerance intervals, life tests."""
