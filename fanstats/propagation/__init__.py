"""First order and Monte Carlo: sensitivities, budgets, coverage intervals, both compared."""
