"""What can be claimed: comparisons, rankings, chances, value for money."""
