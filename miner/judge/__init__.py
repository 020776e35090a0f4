"""Which replies lose: candidates, and how deep each is looked at."""
