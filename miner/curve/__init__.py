"""Expected score per rating band from the engine's evaluation."""
