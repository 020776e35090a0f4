"""Model games, searched move by move and told: turning points, only moves, the plan, stops to ask at."""
