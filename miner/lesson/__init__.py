"""From findings to what a coach takes to the club evening: exercises on paper, and a term's plan."""
