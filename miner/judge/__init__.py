"""Which replies lose: candidates, budgets, engines, verdicts."""
